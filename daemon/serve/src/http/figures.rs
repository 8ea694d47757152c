//! Figures of runs, as SVG.

use std::path::PathBuf;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, RawQuery, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa::IntoParams;
use wattproof_report::{ReportError, compare_figure, distortion, spectrum, supply, waveform};

use super::runs::{Compared, compared as runs_of, folder};
use super::{Ground, Problem};

/// Which capture.
#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
pub struct Capture {
    /// Of this step; without it, the last one.
    step: Option<u64>,
    /// Of this amplifier channel; without it, the worst of those driven.
    channel: Option<u32>,
}

/// A figure of a run
#[utoipa::path(get, path = "/runs/{run}/figures/{figure}", tag = "runs", params(("run" = String, Path, description = "Its name"),
    ("figure" = String, Path, description = "distortion.svg, waveform.svg, spectrum.svg or supply.svg"), Capture), responses(
    (status = 200, description = "The figure", body = String, content_type = "image/svg+xml"),
    (status = 400, description = "No number", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such run, figure, step or channel", body = Problem, content_type = "application/problem+json")))]
pub async fn figure(
    State(ground): State<Ground>,
    Path((run, figure)): Path<(String, String)>,
    of: Result<Query<Capture>, QueryRejection>,
) -> Result<Response, Problem> {
    let (folder, of) = (folder(&ground, &run).await?, of?.0);
    let draw: fn(&std::path::Path, Capture) -> Result<String, ReportError> = match figure.as_str() {
        "distortion.svg" => |folder, _| distortion(folder),
        "supply.svg" => |folder, _| supply(folder),
        "waveform.svg" => |folder, of| waveform(folder, of.step, of.channel),
        "spectrum.svg" => |folder, of| spectrum(folder, of.step, of.channel),
        _ => {
            let next = "there are distortion.svg, waveform.svg, spectrum.svg and supply.svg";
            return Err(Problem::nowhere(format!("there is no figure {figure:?}"), next));
        }
    };
    let name = format!("{figure} {run} {:?} {:?}", of.step, of.channel);
    let drawn =
        ground.drawn.draw(name, vec![folder], move |folders: &[PathBuf]| draw(&folders[0], of)).await?;
    Ok(svg(drawn.to_string()))
}

/// Several runs in one figure
#[utoipa::path(get, path = "/compare.svg", tag = "runs", params(("run" = Vec<String>, Query, description = "Two to eight runs"),
    ("figure" = Option<String>, Query, description = "distortion (power against distortion, the default), bars (clean power at three limits) or sweeps"),
    ("by_unit" = Option<bool>, Query, description = "Runs of one unit in one column"),
    ("incomparable" = Option<bool>, Query, description = "Side by side though the numbers are not comparable")), responses(
    (status = 200, description = "The figure", body = String, content_type = "image/svg+xml"),
    (status = 400, description = "Too few or too many, or no such figure", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such run, or nothing to draw", body = Problem, content_type = "application/problem+json"),
    (status = 409, description = "The runs are not comparable: `reasons` says why", body = Problem, content_type = "application/problem+json")))]
pub async fn compared(State(ground): State<Ground>, RawQuery(query): RawQuery) -> Result<Response, Problem> {
    let Compared { names, folders, how, overlay } = runs_of(&ground, query.as_deref()).await?;
    let name = format!("compare {overlay:?} {how:?} {}", names.join(" "));
    let draw = move |folders: &[PathBuf]| compare_figure(folders, how, overlay);
    let drawn = ground.drawn.draw(name, folders, draw).await?;
    Ok(svg(drawn.to_string()))
}

fn svg(text: String) -> Response {
    // Opened alone it may load and run nothing.
    let policy = "default-src 'none'; style-src 'unsafe-inline'; sandbox";
    ([(header::CONTENT_TYPE, "image/svg+xml"), (header::CONTENT_SECURITY_POLICY, policy)], text)
        .into_response()
}
