//! Recorded runs over HTTP: which there are, what came out, their steps and files.

use std::path::PathBuf;

use axum::Json;
use axum::body::Body;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use tokio_util::io::ReaderStream;
use utoipa::{IntoParams, ToSchema};
use wattproof_report::{How, Overlay, ReportError};
use wattproof_runs::{CAPTURES_FOLDER, JOURNAL_FILE};

use super::waiting::waiting;
use super::{Ground, Problem};

/// Most runs that are listed.
const LISTED_MAX: usize = 1000;

/// Which part of a run's steps.
#[derive(Debug, Deserialize, IntoParams)]
pub struct After {
    /// Only steps after this one.
    #[serde(default)]
    after: u64,
}

/// A file of a run.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunFileShown {
    /// Its name, with `captures/` before a capture's.
    name: String,
    /// Its length.
    bytes: u64,
}

/// The files of a run.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunFiles {
    /// By name.
    files: Vec<RunFileShown>,
}

/// The folder of a run, if its name is one that a run can have.
pub(super) async fn folder(ground: &Ground, run: &str) -> Result<PathBuf, Problem> {
    let (results, run) = (ground.daemon.settings.results.clone(), run.to_string());
    waiting(move || folder_in(&results, &run)).await
}

fn folder_in(results: &std::path::Path, run: &str) -> Result<PathBuf, Problem> {
    let nowhere = || {
        Problem::nowhere(format!("there is no run {run:?} here"), "GET /api/v1/runs lists the runs there are")
    };
    run_folder(results, run).ok_or_else(nowhere)
}

/// The folder of a run below that of all runs, if it is there.
pub fn run_folder(results: &std::path::Path, run: &str) -> Option<PathBuf> {
    let plain = !run.is_empty()
        && run.len() <= 120
        && run.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_'));
    let folder = results.join(run);
    // A link would lead to a folder of anybody's choice.
    let there = plain
        && folder.symlink_metadata().is_ok_and(|about| about.is_dir())
        && folder.join(JOURNAL_FILE).exists();
    there.then_some(folder)
}

/// The runs there are, newest first
#[utoipa::path(get, path = "/runs", tag = "runs", responses((status = 200, description = "The newest thousand runs", body = Value)))]
pub async fn list(State(ground): State<Ground>) -> Result<Json<Value>, Problem> {
    let results = ground.daemon.settings.results.clone();
    let names = tokio::task::spawn_blocking(move || {
        let entries = std::fs::read_dir(results).into_iter().flatten().flatten();
        let mut names: Vec<String> =
            entries.filter_map(|entry| entry.file_name().into_string().ok()).collect();
        // Names begin with the time.
        names.sort_by(|a, b| b.cmp(a));
        names
    });
    let mut runs = Vec::new();
    for name in names.await.map_err(Problem::failed)? {
        let Ok(folder) = folder(&ground, &name).await else { continue };
        match brief(&ground, &name, folder).await {
            Ok(brief) => runs.push(brief),
            // One that can't be read is told, not left out.
            Err(problem) => runs.push(json!({ "run": name, "damaged": serde_json::to_value(&problem).ok().map(|p| p["detail"].clone()) })),
        }
        if runs.len() == LISTED_MAX {
            break;
        }
    }
    Ok(Json(json!({ "runs": runs })))
}

async fn brief(ground: &Ground, run: &str, folder: PathBuf) -> Result<Value, Problem> {
    let draw = |folders: &[PathBuf]| brief_text(&folders[0]);
    let text = ground.drawn.draw(format!("brief {run}"), vec![folder], draw).await?;
    serde_json::from_str(&text).map_err(Problem::failed)
}

fn brief_text(folder: &std::path::Path) -> Result<String, Problem> {
    let brief = wattproof_report::brief(folder).map_err(Problem::from)?;
    serde_json::to_string(&brief).map_err(Problem::failed)
}

/// One run
#[utoipa::path(get, path = "/runs/{run}", tag = "runs", params(("run" = String, Path, description = "Its name")), responses(
    (status = 200, description = "What it was and what came out", body = Value),
    (status = 404, description = "No such run", body = Problem, content_type = "application/problem+json")))]
pub async fn one(State(ground): State<Ground>, Path(run): Path<String>) -> Result<Json<Value>, Problem> {
    let folder = folder(&ground, &run).await?;
    let mut told = brief(&ground, &run, folder.clone()).await?;
    for (key, name) in [("file", "run.json"), ("ratings_file", "ratings.json")] {
        let text = tokio::fs::read(folder.join(name)).await.ok();
        told[key] = text.and_then(|text| serde_json::from_slice(&text).ok()).unwrap_or(Value::Null);
    }
    let found = waiting(move || Ok(wattproof_report::findings(&folder)?)).await?;
    told["findings"] = serde_json::to_value(found).map_err(Problem::failed)?;
    told["error"] = told["file"]["error"].clone();
    Ok(Json(told))
}

/// The steps of a run, as in steps.csv
#[utoipa::path(get, path = "/runs/{run}/steps", tag = "runs", params(("run" = String, Path, description = "Its name"), After), responses(
    (status = 200, description = "The steps", body = Value),
    (status = 400, description = "No number", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such run", body = Problem, content_type = "application/problem+json")))]
pub async fn steps(
    State(ground): State<Ground>,
    Path(run): Path<String>,
    after: Result<Query<After>, QueryRejection>,
) -> Result<Json<Value>, Problem> {
    let (folder, after) = (folder(&ground, &run).await?, after?.after);
    let steps = tokio::task::spawn_blocking(move || wattproof_report::steps(&folder, after));
    let steps = steps.await.map_err(Problem::failed)??;
    Ok(Json(json!({ "steps": steps })))
}

/// The files of a run
#[utoipa::path(get, path = "/runs/{run}/files", tag = "runs", params(("run" = String, Path, description = "Its name")), responses(
    (status = 200, description = "The files", body = RunFiles),
    (status = 404, description = "No such run", body = Problem, content_type = "application/problem+json")))]
pub async fn files(State(ground): State<Ground>, Path(run): Path<String>) -> Result<Json<RunFiles>, Problem> {
    let folder = folder(&ground, &run).await?;
    let files = tokio::task::spawn_blocking(move || {
        let mut files = regular(&folder, "");
        files.extend(regular(&folder.join(CAPTURES_FOLDER), "captures/"));
        files
    });
    Ok(Json(RunFiles { files: files.await.map_err(Problem::failed)? }))
}

/// Regular files right in a folder, by name; nothing that is a link.
fn regular(folder: &std::path::Path, before: &str) -> Vec<RunFileShown> {
    if folder.is_symlink() {
        return Vec::new();
    }
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let shown = entries.filter_map(|entry| {
        let about = entry.path().symlink_metadata().ok().filter(std::fs::Metadata::is_file)?;
        Some(RunFileShown { name: format!("{before}{}", entry.file_name().to_str()?), bytes: about.len() })
    });
    let mut files: Vec<RunFileShown> = shown.collect();
    files.sort_by(|a, b| a.name.cmp(&b.name));
    files
}

/// One file of a run, to be saved
#[utoipa::path(get, path = "/runs/{run}/files/{name}", tag = "runs", params(("run" = String, Path, description = "Its name"), ("name" = String, Path, description = "As listed")), responses(
    (status = 200, description = "The file", content((String = "text/csv"), (Value = "application/json"), (String = "application/jsonl"), (String = "application/octet-stream"))),
    (status = 404, description = "No such run or file", body = Problem, content_type = "application/problem+json")))]
pub async fn file(
    State(ground): State<Ground>,
    Path((run, name)): Path<(String, String)>,
) -> Result<Response, Problem> {
    send_file(&ground, &run, &name).await
}

/// One capture of a run, to be saved
#[utoipa::path(get, path = "/runs/{run}/files/captures/{name}", tag = "runs", params(("run" = String, Path, description = "Its name"), ("name" = String, Path, description = "As listed, without captures/")), responses(
    (status = 200, description = "The capture", body = String, content_type = "application/octet-stream"),
    (status = 404, description = "No such run or capture", body = Problem, content_type = "application/problem+json")))]
pub async fn capture(
    State(ground): State<Ground>,
    Path((run, name)): Path<(String, String)>,
) -> Result<Response, Problem> {
    send_file(&ground, &run, &format!("{CAPTURES_FOLDER}/{name}")).await
}

async fn send_file(ground: &Ground, run: &str, name: &str) -> Result<Response, Problem> {
    let folder = folder(ground, run).await?;
    let (at, base) = match name.strip_prefix("captures/") {
        Some(base) => (folder.join(CAPTURES_FOLDER), base),
        None => (folder, name),
    };
    let nowhere =
        || Problem::nowhere(format!("run {run} has no file {name:?}"), "GET …/files lists those it has");
    // Only what is listed: so no name leads anywhere else.
    let there = base.to_string();
    let path = at.join(base);
    let listed = tokio::task::spawn_blocking(move || regular(&at, "").iter().any(|file| file.name == there));
    if !listed.await.map_err(Problem::failed)? {
        return Err(nowhere());
    }
    let file = tokio::fs::File::open(&path)
        .await
        .map_err(|error| Problem::failed(format!("{}: {error}", path.display())))?;
    let kind = match path.extension().and_then(|extension| extension.to_str()) {
        Some("csv") => "text/csv; charset=utf-8",
        Some("json") => "application/json",
        Some("jsonl") => "application/jsonl",
        _ => "application/octet-stream",
    };
    // Saved, never shown: a file of a run is nobody's page.
    let saved = format!("attachment; filename=\"{}\"", base.replace(['"', '\\'], "_"));
    let body = Body::from_stream(ReaderStream::new(file));
    Ok(([(header::CONTENT_TYPE, kind.to_string()), (header::CONTENT_DISPOSITION, saved)], body)
        .into_response())
}

/// The report of a run: one self-contained HTML file
#[utoipa::path(get, path = "/runs/{run}/report", tag = "runs", params(("run" = String, Path, description = "Its name")), responses(
    (status = 200, description = "The report", body = String, content_type = "text/html"),
    (status = 404, description = "No such run", body = Problem, content_type = "application/problem+json")))]
pub async fn report(State(ground): State<Ground>, Path(run): Path<String>) -> Result<Response, Problem> {
    let folder = folder(&ground, &run).await?;
    let draw = |folders: &[PathBuf]| wattproof_report::report(&folders[0]);
    let html = ground.drawn.draw(format!("report {run}"), vec![folder], draw).await?;
    // Its own style and script stand in it; it may load and reach nothing.
    let policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox";
    let headers =
        [(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CONTENT_SECURITY_POLICY, policy)];
    Ok((headers, html.to_string()).into_response())
}

/// What is compared, and how.
pub(super) struct Compared {
    pub names: Vec<String>,
    pub folders: Vec<PathBuf>,
    pub how: How,
    pub overlay: Overlay,
}

/// The runs that are compared, from `run=A&run=B`, with `by_unit=true`, `incomparable=true` and `figure=bars` beside them.
pub(super) async fn compared(ground: &Ground, query: Option<&str>) -> Result<Compared, Problem> {
    let pairs: Vec<(&str, &str)> =
        query.unwrap_or_default().split('&').filter_map(|pair| pair.split_once('=')).collect();
    let names: Vec<String> =
        pairs.iter().filter(|(key, _)| *key == "run").map(|(_, name)| (*name).to_string()).collect();
    if !(2..=8).contains(&names.len()) {
        let what = format!("two to eight runs are compared, {} were named", names.len());
        return Err(Problem::wrong(what, "ask with ?run=NAME&run=NAME"));
    }
    let value = |wanted: &str| pairs.iter().find(|(key, _)| *key == wanted).map(|(_, value)| *value);
    let flag = |name: &str| match value(name) {
        None | Some("false") => Ok(false),
        Some("true") => Ok(true),
        Some(other) => {
            Err(Problem::wrong(format!("{name}={other:?} is neither true nor false"), "say true or false"))
        }
    };
    let how = How { by_unit: flag("by_unit")?, incomparable: flag("incomparable")? };
    let overlay = match value("figure") {
        None | Some("distortion") => Overlay::Distortion,
        Some("bars") => Overlay::Bars,
        Some("sweeps") => Overlay::Sweeps,
        Some(other) => {
            let what = format!("there is no figure {other:?} of a comparison");
            return Err(Problem::wrong(what, "there are distortion, bars and sweeps"));
        }
    };
    let mut folders = Vec::new();
    for name in &names {
        folders.push(folder(ground, name).await?);
    }
    Ok(Compared { names, folders, how, overlay })
}

/// Runs side by side
#[utoipa::path(get, path = "/compare", tag = "runs", params(("run" = Vec<String>, Query, description = "Two to eight runs"),
    ("by_unit" = Option<bool>, Query, description = "Runs of one unit in one column"),
    ("incomparable" = Option<bool>, Query, description = "Side by side though the numbers are not comparable")), responses(
    (status = 200, description = "Ratings and quantities side by side, and where their conditions differ", body = Value),
    (status = 400, description = "Too few or too many, or neither true nor false", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such run", body = Problem, content_type = "application/problem+json"),
    (status = 409, description = "The runs are not comparable: `reasons` says why", body = Problem, content_type = "application/problem+json")))]
pub async fn compare(
    State(ground): State<Ground>,
    axum::extract::RawQuery(query): axum::extract::RawQuery,
) -> Result<Json<Value>, Problem> {
    let Compared { folders, how, .. } = compared(&ground, query.as_deref()).await?;
    let told = tokio::task::spawn_blocking(move || wattproof_report::compare(&folders, how));
    let told = told.await.map_err(Problem::failed)?.map_err(|error: ReportError| Problem::from(error))?;
    serde_json::to_value(told).map(Json).map_err(Problem::failed)
}
