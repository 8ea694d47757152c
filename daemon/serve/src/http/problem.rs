//! What went wrong, as `application/problem+json` (RFC 9457): what happened, and what to do next.

use axum::Json;
use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;
use wattproof_report::ReportError;

use crate::daemon::{NoBench, SubmitError};
use crate::queue::QueueError;

/// A problem.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Problem {
    /// Always `about:blank`: status and title say what it is.
    #[serde(rename = "type")]
    kind: &'static str,
    /// The status in words.
    title: String,
    /// The HTTP status.
    status: u16,
    /// What happened.
    detail: String,
    /// What to do next.
    next: String,
    /// Each reason by itself, where there are several.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    reasons: Vec<String>,
}

impl Problem {
    /// A status with what happened and what to do next.
    pub fn new(status: StatusCode, detail: impl ToString, next: impl ToString) -> Self {
        Problem {
            kind: "about:blank",
            title: status.canonical_reason().unwrap_or("Error").into(),
            status: status.as_u16(),
            detail: detail.to_string(),
            next: next.to_string(),
            reasons: Vec::new(),
        }
    }

    /// The request is wrong.
    pub fn wrong(detail: impl ToString, next: impl ToString) -> Self {
        Self::new(StatusCode::BAD_REQUEST, detail, next)
    }

    /// There is no such thing.
    pub fn nowhere(detail: impl ToString, next: impl ToString) -> Self {
        Self::new(StatusCode::NOT_FOUND, detail, next)
    }

    /// Something on this side failed.
    pub fn failed(detail: impl ToString) -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            detail,
            "look at the daemon's log, mend the cause, ask again",
        )
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        (status, [(header::CONTENT_TYPE, "application/problem+json")], Json(self).into_body_alone())
            .into_response()
    }
}

/// The JSON of a value without the type that [`Json`] puts on it.
trait BodyAlone {
    fn into_body_alone(self) -> String;
}

impl<T: Serialize> BodyAlone for Json<T> {
    fn into_body_alone(self) -> String {
        serde_json::to_string(&self.0)
            .unwrap_or_else(|error| format!("{{\"detail\":{:?}}}", error.to_string()))
    }
}

impl From<NoBench> for Problem {
    fn from(error: NoBench) -> Self {
        Problem::nowhere(error, "GET /api/v1/benches lists those there are")
    }
}

impl From<QueueError> for Problem {
    fn from(error: QueueError) -> Self {
        let status = match error {
            QueueError::NoJob(_) => StatusCode::NOT_FOUND,
            QueueError::Full => StatusCode::TOO_MANY_REQUESTS,
            QueueError::Begun(_) | QueueError::Over(_) | QueueError::OtherBench(_) => StatusCode::CONFLICT,
        };
        Problem::new(status, error, "the queue tells where every job stands (GET /api/v1/jobs)")
    }
}

impl From<SubmitError> for Problem {
    fn from(error: SubmitError) -> Self {
        match error {
            SubmitError::Queue(error) => error.into(),
            error @ SubmitError::Io { .. } => Problem::failed(error),
        }
    }
}

impl From<ReportError> for Problem {
    fn from(error: ReportError) -> Self {
        match error {
            // The request is understood and the runs are there; what they are makes it impossible (RFC 9110, 15.5.10).
            ReportError::Incomparable { reasons } => Problem {
                reasons,
                ..Problem::new(
                    StatusCode::CONFLICT,
                    "these runs are not comparable",
                    "choose others, or ask with incomparable=true to see them side by side all the same",
                )
            },
            error if error.is_missing() => {
                Problem::nowhere(error, "GET /api/v1/runs lists the runs there are")
            }
            error => Problem::failed(error),
        }
    }
}

impl From<JsonRejection> for Problem {
    fn from(rejection: JsonRejection) -> Self {
        Problem::new(
            rejection.status(),
            rejection.body_text(),
            "send JSON as /api/v1/openapi.json describes it",
        )
    }
}

impl From<QueryRejection> for Problem {
    fn from(rejection: QueryRejection) -> Self {
        Problem::new(
            rejection.status(),
            rejection.body_text(),
            "see /api/v1/openapi.json for what can be asked",
        )
    }
}

impl From<PathRejection> for Problem {
    fn from(rejection: PathRejection) -> Self {
        Problem::new(
            rejection.status(),
            rejection.body_text(),
            "see /api/v1/openapi.json for what can be asked",
        )
    }
}

/// Nothing is at this address.
pub async fn no_such_place() -> Problem {
    Problem::nowhere("there is nothing at this address", "see /api/v1/openapi.json, or / for the page")
}

/// It can't be asked this way.
pub async fn no_such_method() -> Problem {
    let what = "this address does not take this method";
    Problem::new(StatusCode::METHOD_NOT_ALLOWED, what, "see /api/v1/openapi.json for what can be asked")
}
