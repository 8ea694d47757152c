//! The queue over HTTP: submit, order, hold, cancel.

use std::collections::BTreeMap;
use std::path::Path as FilePath;
use std::sync::Arc;

use axum::Json;
use axum::extract::rejection::{JsonRejection, PathRejection};
use axum::extract::{Path, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use wattproof_runs::{Nameplate, Script, Set, parameters_of, set_of};

use super::waiting::waiting;
use super::{Ground, Problem};
use crate::child::NAMEPLATE_FILE;
use crate::job::{Hold, Job};
use crate::queue::NewJob;

/// A script or a nameplate: one of the daemon's own by its name, or with its text.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FileAsked {
    /// Its file name.
    name: String,
    /// What it says; without it, the file of that name in the daemon's folder.
    text: Option<String>,
}

/// A run that is wanted.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct JobAsked {
    /// On which bench.
    bench: String,
    /// The script.
    script: FileAsked,
    /// The nameplate.
    nameplate: FileAsked,
    /// What is set of the script's parameters, by name: numbers, lists of numbers, words, true or false, or any of them as
    /// text (`"11.5"`, `"1,2,4"`).
    #[serde(default)]
    set: BTreeMap<String, Value>,
    /// What it waits for besides its turn.
    hold: Option<Hold>,
    /// Whether the bench is not checked before the script.
    #[serde(default)]
    without_selfcheck: bool,
}

/// Where a job is put.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PutAsked {
    /// Before this one of the same bench; null for the end.
    before: Option<u64>,
}

/// What a job waits for.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HoldAsked {
    /// null lets it go.
    hold: Option<Hold>,
}

/// Every job.
#[derive(Debug, Serialize, ToSchema)]
pub struct Jobs {
    /// Those that have not ended in their order, then the others, newest first.
    jobs: Vec<Job>,
}

impl FileAsked {
    /// Its name and text.
    pub(super) async fn read(&self, folder: &FilePath, what: &str) -> Result<(String, String), Problem> {
        let name = plain_name(&self.name, what)?;
        if let Some(text) = &self.text {
            return Ok((name, text.clone()));
        }
        let path = folder.join(&name);
        let text = tokio::fs::read_to_string(&path).await.map_err(|error| {
            let what = format!("{what} {}: {error}", path.display());
            Problem::nowhere(what, "choose one that the daemon lists, or send its text along")
        })?;
        Ok((name, text))
    }
}

/// A file name without any way to another folder.
fn plain_name(name: &str, what: &str) -> Result<String, Problem> {
    let plain = !name.is_empty()
        && name.len() <= 100
        && !name.starts_with(['.', '-'])
        && name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-'));
    if plain {
        return Ok(name.into());
    }
    let detail = format!("{name:?} is no file name for a {what}");
    Err(Problem::wrong(
        detail,
        "letters, digits, dots, dashes and underlines only, with no folder before them",
    ))
}

/// Every job
#[utoipa::path(get, path = "/jobs", tag = "queue", responses((status = 200, description = "Every job", body = Jobs)))]
pub async fn list(State(ground): State<Ground>) -> Json<Jobs> {
    Json(Jobs { jobs: ground.daemon.jobs() })
}

/// Submit a run
///
/// Script and nameplate are kept with the job as they are now: what is changed later does not change it.
#[utoipa::path(post, path = "/jobs", tag = "queue", request_body = JobAsked, responses(
    (status = 201, description = "It is in the queue", body = Job),
    (status = 400, description = "Script, its parameters, nameplate or hold can't be used", body = Problem, content_type = "application/problem+json"),
    (status = 401, description = "Without the token", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such bench or file", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "Too long", body = Problem, content_type = "application/problem+json"),
    (status = 415, description = "Not JSON", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "Not what is described here", body = Problem, content_type = "application/problem+json"),
    (status = 429, description = "Too many wait", body = Problem, content_type = "application/problem+json")))]
pub async fn submit(
    State(ground): State<Ground>,
    asked: Result<Json<JobAsked>, JsonRejection>,
) -> Result<(StatusCode, Json<Job>), Problem> {
    let Json(asked) = asked?;
    let daemon = &ground.daemon;
    let bench = daemon.bench(&asked.bench)?;
    check_hold(asked.hold)?;
    let (script, source) = asked.script.read(&daemon.settings.scripts, "script").await?;
    let (plate_name, plate) = asked.nameplate.read(&daemon.settings.nameplates, "nameplate").await?;
    if !script.ends_with(".rhai") {
        return Err(Problem::wrong(format!("{script:?} is no script"), "a script's name ends in .rhai"));
    }
    let next = "mend it and submit again";
    let set = set_checked(Script { path: script.clone().into(), source: source.clone() }, asked.set).await?;
    let nameplate =
        Nameplate::parse(FilePath::new(&plate_name), &plate).map_err(|fault| Problem::wrong(fault, next))?;
    let new = NewJob {
        bench: bench.bench,
        script: script.clone(),
        amplifier: format!("{} {}", nameplate.maker, nameplate.model),
        invented: nameplate.invented,
        hold: asked.hold,
        without_selfcheck: asked.without_selfcheck,
        set,
    };
    let daemon = Arc::clone(daemon);
    let job = waiting(move || {
        let folder = |job| daemon.job_folder(job);
        let submitted = daemon.submit(new, |job| {
            std::fs::create_dir_all(folder(job))?;
            std::fs::write(folder(job).join(&script), &source)?;
            std::fs::write(folder(job).join(NAMEPLATE_FILE), &plate)
        });
        submitted.map_err(Problem::from)
    });
    let job = job.await?;
    Ok((StatusCode::CREATED, Json(job)))
}

/// What is set, once the script has been found to take it.
async fn set_checked(script: Script, set: Set) -> Result<Set, Problem> {
    // Parameters are found by performing the script up to where it asks for the bench.
    let found = waiting(move || {
        parameters_of(&script, &set).map_err(|fault| Problem::wrong(fault, "mend it and submit again"))
    });
    Ok(set_of(&found.await?))
}

fn check_hold(hold: Option<Hold>) -> Result<(), Problem> {
    match hold.and_then(Hold::fault) {
        Some(fault) => Err(Problem::wrong(fault, "change the hold, or leave it out")),
        None => Ok(()),
    }
}

/// One job
#[utoipa::path(get, path = "/jobs/{job}", tag = "queue", params(("job" = u64, Path, description = "Its number")), responses(
    (status = 200, description = "The job", body = Job),
    (status = 400, description = "No number", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such job", body = Problem, content_type = "application/problem+json")))]
pub async fn job(
    State(ground): State<Ground>,
    job: Result<Path<u64>, PathRejection>,
) -> Result<Json<Job>, Problem> {
    Ok(Json(ground.daemon.job(job?.0)?))
}

/// Put a job before another, or at the end
#[utoipa::path(post, path = "/jobs/{job}/move", tag = "queue", params(("job" = u64, Path, description = "Its number")), request_body = PutAsked, responses(
    (status = 200, description = "The job", body = Job),
    (status = 400, description = "No number, or no JSON", body = Problem, content_type = "application/problem+json"),
    (status = 401, description = "Without the token", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such job", body = Problem, content_type = "application/problem+json"),
    (status = 409, description = "It has begun, is over, or waits for another bench", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "Too long", body = Problem, content_type = "application/problem+json"),
    (status = 415, description = "Not JSON", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "Not what is described here", body = Problem, content_type = "application/problem+json")))]
pub async fn put(
    State(ground): State<Ground>,
    job: Result<Path<u64>, PathRejection>,
    asked: Result<Json<PutAsked>, JsonRejection>,
) -> Result<Json<Job>, Problem> {
    let (job, asked) = (job?.0, asked?.0);
    Ok(Json(ground.daemon.put(job, asked.before)?))
}

/// Hold a job, or let it go
#[utoipa::path(post, path = "/jobs/{job}/hold", tag = "queue", params(("job" = u64, Path, description = "Its number")), request_body = HoldAsked, responses(
    (status = 200, description = "The job", body = Job),
    (status = 400, description = "No number, no JSON, or a hold that can't be kept", body = Problem, content_type = "application/problem+json"),
    (status = 401, description = "Without the token", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such job", body = Problem, content_type = "application/problem+json"),
    (status = 409, description = "It has begun or is over", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "Too long", body = Problem, content_type = "application/problem+json"),
    (status = 415, description = "Not JSON", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "Not what is described here", body = Problem, content_type = "application/problem+json")))]
pub async fn hold(
    State(ground): State<Ground>,
    job: Result<Path<u64>, PathRejection>,
    asked: Result<Json<HoldAsked>, JsonRejection>,
) -> Result<Json<Job>, Problem> {
    let (job, asked) = (job?.0, asked?.0);
    check_hold(asked.hold)?;
    Ok(Json(ground.daemon.hold(job, asked.hold)?))
}

/// Take a job that has not begun off the queue
#[utoipa::path(post, path = "/jobs/{job}/cancel", tag = "queue", params(("job" = u64, Path, description = "Its number")), responses(
    (status = 200, description = "The job", body = Job),
    (status = 400, description = "No number", body = Problem, content_type = "application/problem+json"),
    (status = 401, description = "Without the token", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such job", body = Problem, content_type = "application/problem+json"),
    (status = 409, description = "It has begun or is over", body = Problem, content_type = "application/problem+json")))]
pub async fn cancel(
    State(ground): State<Ground>,
    job: Result<Path<u64>, PathRejection>,
) -> Result<Json<Job>, Problem> {
    Ok(Json(ground.daemon.cancel(job?.0)?))
}
