//! Where everything stands, for the page's first look; and what is counted.

use axum::Json;
use axum::extract::{Extension, Request, State};
use axum::http::header;
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;

use super::access::MayChange;
use super::{Ground, Problem};
use crate::bench::Bench;
use crate::job::Job;

/// Where everything stands.
#[derive(Debug, Serialize, ToSchema)]
pub struct Status {
    /// Version of the program.
    version: &'static str,
    /// The name of this start of the daemon; event identities begin with it.
    boot: String,
    /// The last event: ask for those after it.
    last_event: String,
    /// The daemon's clock.
    now_utc: DateTime<Utc>,
    /// Whether this request may change things.
    may_change: bool,
    /// Of a read-only view: the catalogue that it is over, without its password.
    view: Option<String>,
    /// The cautions that anybody with a kilowatt on the bench is shown.
    cautions: &'static str,
    /// Folder of all runs on the daemon's machine; empty of a view.
    results: String,
    /// Every bench.
    benches: Vec<Bench>,
    /// Every job: those that have not ended in their order, then the others, newest first.
    jobs: Vec<Job>,
}

/// Where everything stands now
#[utoipa::path(get, path = "/status", tag = "status", responses((status = 200, description = "Everything at one moment", body = Status)))]
pub async fn status(State(ground): State<Ground>, Extension(may): Extension<MayChange>) -> Json<Status> {
    let daemon = &ground.daemon;
    // Asked first: what changes meanwhile comes again as an event.
    let last_event = daemon.events.last_id();
    Json(Status {
        version: env!("CARGO_PKG_VERSION"),
        boot: daemon.events.boot().into(),
        last_event,
        now_utc: Utc::now(),
        may_change: may.0 && daemon.settings.view.is_none(),
        view: daemon.settings.view.as_ref().map(ToString::to_string),
        cautions: daemon.settings.cautions,
        results: match daemon.settings.view {
            None => daemon.settings.results.display().to_string(),
            Some(_) => String::new(),
        },
        benches: daemon.benches(),
        jobs: daemon.jobs(),
    })
}

/// Counts every answer.
pub async fn counted(State(ground): State<Ground>, request: Request, next: Next) -> Response {
    let answer = next.run(request).await;
    ground.daemon.metrics.answered(answer.status().as_u16());
    answer
}

/// `/metrics`.
pub async fn metrics(State(ground): State<Ground>) -> Result<Response, Problem> {
    let daemon = &ground.daemon;
    let text = daemon.metrics.text(&daemon.benches(), &daemon.jobs(), daemon.events.listeners());
    let text = text.map_err(Problem::failed)?;
    Ok(([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text).into_response())
}
