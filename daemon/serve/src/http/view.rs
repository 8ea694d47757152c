//! A read-only view: whoever asks it to change anything is refused before anything else is looked at.

use axum::extract::{Request, State};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::{Ground, Problem};

/// Lets reading through alone where this is a view.
pub async fn only_reads(State(ground): State<Ground>, request: Request, next: Next) -> Response {
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    if reads || ground.daemon.settings.view.is_none() {
        return next.run(request).await;
    }
    let what = "this is a read-only view over recorded runs: it holds no bench and changes nothing";
    let then = "ask the daemon of the bench, or go to the bench: STOP is there";
    Problem::new(StatusCode::FORBIDDEN, what, then).into_response()
}
