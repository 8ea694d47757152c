//! The catalogue over HTTP: runs that are searched for, one of them whole, a unit over time, the units of a model.
//!
//! In come questions in addresses; out go JSON, CSV and problems. Everything is asked through [`crate::asking`]; called by
//! the router alone.

mod search;

use axum::body::Body;
use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::IntoParams;
use wattproof_catalogue::{Brief, Entry, Error, Measured};
use wattproof_report::found_csv;

use super::{Ground, Problem};
use crate::asking::{AskError, Asked};
use search::Search;

/// Of whose unit the serial number is, where two makers use the same.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub struct OfWhom {
    /// Maker, exactly.
    maker: Option<String>,
    /// Model, exactly.
    model: Option<String>,
}

/// Which units are put side by side.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Side {
    /// Maker, exactly.
    maker: String,
    /// Model, exactly.
    model: String,
    /// File name of the script.
    script: String,
}

/// A run that was found.
#[derive(Serialize)]
struct Found {
    #[serde(flatten)]
    brief: Brief,
    /// Whether its folder is here, so that `/runs/{run}` tells all of it.
    here: bool,
}

/// A whole entry.
#[derive(Serialize)]
struct Whole {
    #[serde(flatten)]
    entry: Entry,
    /// As above.
    here: bool,
}

/// Runs by serial number, model, date, verdict, cause or script, over everything that is in the catalogue
///
/// Each with `here`: whether its folder is on this machine, so that `/runs/{run}` tells all of it; `found` is how many
/// there are in all. As CSV (RFC 4180, words defused against formulas) with `format=csv` or `Accept: text/csv`; then
/// without a limit of its own up to ten thousand.
#[utoipa::path(get, path = "/find", tag = "catalogue", params(Search), responses(
    (status = 200, description = "The runs", content((Value = "application/json"), (String = "text/csv"))),
    (status = 400, description = "Not what is described here", body = Problem, content_type = "application/problem+json"),
    (status = 500, description = "The catalogue is damaged", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The catalogue does not answer", body = Problem, content_type = "application/problem+json")))]
pub async fn find(
    State(ground): State<Ground>,
    headers: HeaderMap,
    search: Result<Query<Search>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(search) = search?;
    let csv = search.is_csv(&headers);
    let question = search.question(csv)?;
    if csv {
        let table = move |asked: Asked| async move {
            let found = asked.catalogue.find(&question).await?;
            found_csv(&found).map_err(|error| AskError::Told(error.to_string()))
        };
        let table = ground.asking.ask(table).await.map_err(|error| told(&ground, error))?;
        let headers = [
            (header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present"),
            (header::CONTENT_DISPOSITION, "attachment; filename=\"runs.csv\""),
        ];
        return Ok((headers, table.unwrap_or_default()).into_response());
    }
    let answer = move |asked: Asked| async move {
        let runs = asked.catalogue.find(&question).await?;
        let found = asked.catalogue.count(&question).await?;
        text(&json!({ "runs": here(&asked, runs), "found": found }))
    };
    json_answer(&ground, answer, || json!({ "runs": [], "found": 0 })).await
}

/// All that the catalogue holds of a run: ratings, findings, instruments, files with their hashes
#[utoipa::path(get, path = "/entries/{key}", tag = "catalogue", params(("key" = String, Path, description = "Key of the run, as found")), responses(
    (status = 200, description = "The entry", body = Value),
    (status = 404, description = "No such entry", body = Problem, content_type = "application/problem+json"),
    (status = 500, description = "The catalogue is damaged", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The catalogue does not answer", body = Problem, content_type = "application/problem+json")))]
pub async fn entry(
    State(ground): State<Ground>,
    key: Result<Path<String>, PathRejection>,
) -> Result<Response, Problem> {
    let Path(key) = key?;
    let nowhere = Problem::nowhere(
        format!("there is no run of the key {key:?} in the catalogue"),
        "GET /api/v1/find tells the keys of the runs there are",
    );
    let answer = move |asked: Asked| async move {
        let Some(entry) = asked.catalogue.entry(&key).await? else { return Ok(None) };
        let here = asked.is_here(&entry.run);
        text(&Whole { entry, here }).map(Some)
    };
    let found = ground.asking.ask(answer).await.map_err(|error| told(&ground, error))?;
    found.flatten().map(json_text).ok_or(nowhere)
}

/// A unit over time: its runs, the first one first
#[utoipa::path(get, path = "/units/{serial}", tag = "catalogue", params(("serial" = String, Path, description = "Serial number of the unit"), OfWhom), responses(
    (status = 200, description = "Its runs, none where there are none", body = Value),
    (status = 400, description = "Not what is described here", body = Problem, content_type = "application/problem+json"),
    (status = 500, description = "The catalogue is damaged", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The catalogue does not answer", body = Problem, content_type = "application/problem+json")))]
pub async fn unit(
    State(ground): State<Ground>,
    serial: Result<Path<String>, PathRejection>,
    whose: Result<Query<OfWhom>, QueryRejection>,
) -> Result<Response, Problem> {
    let (Path(serial), Query(whose)) = (serial?, whose?);
    let none = json!({ "serial": serial, "runs": [] });
    let answer = move |asked: Asked| async move {
        let (maker, model) = (whose.maker.as_deref(), whose.model.as_deref());
        let runs = asked.catalogue.history(&serial, maker, model).await?;
        text(&json!({ "serial": serial, "runs": here(&asked, runs) }))
    };
    json_answer(&ground, answer, || none).await
}

/// The units of a model side by side: every finding and measured rating of each unit's latest run of a script
#[utoipa::path(get, path = "/population", tag = "catalogue", params(Side), responses(
    (status = 200, description = "What was measured, none where there is none", body = Value),
    (status = 400, description = "Not what is described here", body = Problem, content_type = "application/problem+json"),
    (status = 500, description = "The catalogue is damaged", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The catalogue does not answer", body = Problem, content_type = "application/problem+json")))]
pub async fn population(
    State(ground): State<Ground>,
    side: Result<Query<Side>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(Side { maker, model, script }) = side?;
    let answer = move |asked: Asked| async move {
        let measured: Vec<Measured> = asked.catalogue.population(&maker, &model, &script).await?;
        text(&json!({ "measured": measured }))
    };
    json_answer(&ground, answer, || json!({ "measured": [] })).await
}

fn here(asked: &Asked, runs: Vec<Brief>) -> Vec<Found> {
    runs.into_iter().map(|brief| Found { here: asked.is_here(&brief.run), brief }).collect()
}

/// Written where it was found, not where stops are answered.
fn text(answer: &impl Serialize) -> Result<String, AskError> {
    serde_json::to_string(answer).map_err(|error| AskError::Told(error.to_string()))
}

async fn json_answer<F>(
    ground: &Ground,
    question: impl FnOnce(Asked) -> F + Send + 'static,
    nothing: impl FnOnce() -> Value,
) -> Result<Response, Problem>
where
    F: Future<Output = Result<String, AskError>> + Send + 'static,
{
    let found = ground.asking.ask(question).await.map_err(|error| told(ground, error))?;
    Ok(json_text(found.unwrap_or_else(|| nothing().to_string())))
}

fn json_text(text: String) -> Response {
    ([(header::CONTENT_TYPE, "application/json")], Body::from(text)).into_response()
}

/// What went wrong, and who mends it: a file is made anew from the runs' folders, a server has its keeper.
fn told(ground: &Ground, error: AskError) -> Problem {
    tracing::warn!(%error, "the catalogue was asked in vain");
    let on_file = ground.asking.place().path().is_some();
    match &error {
        AskError::Catalogue(Error::Damaged { .. } | Error::Foreign { .. }) => {
            let next = match on_file {
                true => "`wattproof reindex --anew` puts it aside and makes it anew from the runs' folders",
                false => {
                    "its keeper makes a new one; `wattproof publish --all` on each bench sends every run anew"
                }
            };
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, error, next)
        }
        AskError::Catalogue(Error::Unreachable { .. } | Error::Busy { .. } | Error::TimedOut { .. })
        | AskError::Late { .. } => {
            let next = "see that the database runs and lets the daemon in, then ask again";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, error, next)
        }
        _ => Problem::failed(error),
    }
}
