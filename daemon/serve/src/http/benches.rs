//! Benches over HTTP: how they stand, stop, and a person's reset.

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Extension, Path, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::access::Via;
use super::waiting::waiting;
use super::{Ground, Problem};
use crate::bench::{Bench, GuardState, Latched, latched};
use crate::reset::{ResetError, number_of, reset as carry_out};
use crate::settings::BenchPlace;

/// Every bench.
#[derive(Debug, Serialize, ToSchema)]
pub struct Benches {
    /// In the order of the command that started the daemon.
    benches: Vec<Bench>,
}

/// A latched trip with what a reset must quote.
#[derive(Debug, Serialize, ToSchema)]
pub struct Standing {
    /// None when nothing is latched.
    latched: Option<Latched>,
    /// The number that a reset must quote.
    number: Option<String>,
    /// Whether it can be reset now.
    may_reset: bool,
    /// Why not.
    why_not: Option<String>,
}

/// A reset that is wanted.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ResetAsked {
    /// The number that was shown with the trip.
    number: String,
}

fn by(via: Option<Extension<Via>>) -> String {
    match via {
        Some(Extension(Via::Socket)) => "a person at the command line".into(),
        Some(Extension(Via::Tcp(address))) => format!("a person at {address}"),
        None => "a person".into(),
    }
}

/// Every bench
#[utoipa::path(get, path = "/benches", tag = "benches", responses((status = 200, description = "Every bench", body = Benches)))]
pub async fn list(State(ground): State<Ground>) -> Json<Benches> {
    Json(Benches { benches: ground.daemon.benches() })
}

/// Everything off on a bench, now
///
/// Answered at once; the bench's own state tells when every output is confirmed off. What waits in the queue of this
/// bench waits for a person from then on.
#[utoipa::path(post, path = "/benches/{bench}/stop", tag = "benches", params(("bench" = String, Path, description = "The bench")), responses(
    (status = 202, description = "It was told to stop", body = Bench),
    (status = 401, description = "Without the token", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such bench", body = Problem, content_type = "application/problem+json")))]
pub async fn stop(
    State(ground): State<Ground>,
    via: Option<Extension<Via>>,
    Path(bench): Path<String>,
) -> Result<(StatusCode, Json<Bench>), Problem> {
    Ok((StatusCode::ACCEPTED, Json(ground.daemon.stop(&bench, &by(via))?)))
}

/// Everything off on every bench, now
#[utoipa::path(post, path = "/stop", tag = "benches", responses(
    (status = 202, description = "All were told to stop", body = Benches),
    (status = 401, description = "Without the token", body = Problem, content_type = "application/problem+json")))]
pub async fn stop_all(
    State(ground): State<Ground>,
    via: Option<Extension<Via>>,
) -> Result<(StatusCode, Json<Benches>), Problem> {
    let by = by(via);
    for bench in ground.daemon.benches() {
        ground.daemon.stop(&bench.bench, &by)?;
    }
    Ok((StatusCode::ACCEPTED, Json(Benches { benches: ground.daemon.benches() })))
}

/// The trip that stands, from the disk.
async fn standing(place: BenchPlace) -> Result<Option<Latched>, Problem> {
    waiting(move || Ok(latched(&place))).await
}

/// The trip that waits for a person's reset
#[utoipa::path(get, path = "/benches/{bench}/latch", tag = "benches", params(("bench" = String, Path, description = "The bench")), responses(
    (status = 200, description = "The trip, or none", body = Standing),
    (status = 404, description = "No such bench", body = Problem, content_type = "application/problem+json")))]
pub async fn latch(
    State(ground): State<Ground>,
    Path(bench): Path<String>,
) -> Result<Json<Standing>, Problem> {
    let daemon = &ground.daemon;
    let (place, now) = (daemon.place(&bench)?, daemon.bench(&bench)?);
    let latched = standing(place).await?;
    let held = now.job.is_some() || now.guard == GuardState::Boot;
    let why_not = match &latched {
        None => Some("no trip is latched".to_string()),
        Some(_) if held => Some("a run holds this bench: stop it first".to_string()),
        Some(_) => None,
    };
    let number = latched.as_ref().map(|latched| number_of(daemon, latched));
    Ok(Json(Standing { may_reset: why_not.is_none(), number, why_not, latched }))
}

/// Reset a latched trip
///
/// By a person who has looked at the bench. Everything is switched off once more, read back and measured; while the
/// cause stands, it is refused. Energises nothing.
#[utoipa::path(post, path = "/benches/{bench}/reset", tag = "benches", params(("bench" = String, Path, description = "The bench")), request_body = ResetAsked, responses(
    (status = 200, description = "It was reset", body = Bench),
    (status = 400, description = "No JSON", body = Problem, content_type = "application/problem+json"),
    (status = 401, description = "Without the token", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such bench", body = Problem, content_type = "application/problem+json"),
    (status = 409, description = "Another trip stands, or none, or the cause is still there, or a run holds the bench", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "Too long", body = Problem, content_type = "application/problem+json"),
    (status = 415, description = "Not JSON", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "Not what is described here", body = Problem, content_type = "application/problem+json")))]
pub async fn reset(
    State(ground): State<Ground>,
    Path(bench): Path<String>,
    asked: Result<Json<ResetAsked>, JsonRejection>,
) -> Result<Json<Bench>, Problem> {
    let Json(asked) = asked?;
    let daemon = &ground.daemon;
    let place = daemon.place(&bench)?;
    let refuse = |error: ResetError| {
        let next = "look at the bench, read GET …/latch again, and reset what it shows";
        Problem::new(StatusCode::CONFLICT, error, next)
    };
    if !daemon.take(&bench)? {
        return Err(refuse(ResetError::Held));
    }
    let done = carry_out(daemon, &place, &asked.number).await;
    let latched = standing(place).await?;
    daemon.give_back(&bench, latched, done.is_ok());
    done.map_err(refuse)?;
    daemon.log(Some(&bench), None, "warn", "a person reset the latched trip");
    daemon.look_again();
    Ok(Json(daemon.bench(&bench)?))
}
