//! HTTP: what the daemon answers. In come requests, judged by [`access`] before anything else; out go JSON, events,
//! figures, files and the page. Errors are `application/problem+json` (RFC 9457).

mod access;
mod benches;
mod cache;
mod choices;
mod events;
mod figures;
mod found;
mod jobs;
mod openapi;
mod page;
mod problem;
mod runs;
mod status;
mod view;
mod waiting;

use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::get;
use tokio_util::sync::CancellationToken;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

pub use access::{Access, Via};
pub use openapi::document;
use problem::Problem;
pub use runs::run_folder;

use crate::asking::Asking;
use crate::daemon::Daemon;
use cache::Drawn;

/// Longest body, bytes: a script with room to spare.
const BODY_BYTES_MAX: usize = 1 << 20;

/// What every answer can draw on.
#[derive(Clone)]
pub struct Ground {
    /// The daemon.
    pub daemon: Arc<Daemon>,
    /// Who may change things.
    pub access: Arc<Access>,
    /// Figures and summaries drawn before.
    pub drawn: Arc<Drawn>,
    /// The catalogue of all runs.
    pub asking: Asking,
    /// Ends event streams.
    pub ending: CancellationToken,
}

impl Ground {
    /// For one daemon.
    pub fn new(daemon: Arc<Daemon>, access: Access, asking: Asking, ending: CancellationToken) -> Self {
        Ground { daemon, access: Arc::new(access), drawn: Arc::new(Drawn::default()), asking, ending }
    }
}

/// Everything below `/api/v1`, with its description.
fn api() -> OpenApiRouter<Ground> {
    let api = OpenApiRouter::with_openapi(openapi::about())
        .routes(routes!(status::status))
        .routes(routes!(events::events))
        .routes(routes!(jobs::submit, jobs::list))
        .routes(routes!(jobs::job))
        .routes(routes!(jobs::put))
        .routes(routes!(jobs::hold))
        .routes(routes!(jobs::cancel))
        .routes(routes!(benches::list))
        .routes(routes!(benches::stop))
        .routes(routes!(benches::stop_all))
        .routes(routes!(benches::latch))
        .routes(routes!(benches::reset))
        .routes(routes!(choices::scripts))
        .routes(routes!(choices::nameplates))
        .routes(routes!(runs::list))
        .routes(routes!(runs::one))
        .routes(routes!(runs::steps))
        .routes(routes!(runs::files))
        .routes(routes!(runs::file))
        .routes(routes!(runs::capture))
        .routes(routes!(runs::report))
        .routes(routes!(runs::compare))
        .routes(routes!(figures::figure))
        .routes(routes!(figures::compared));
    catalogue_api(api)
}

/// What a read-only view answers below `/api/v1`.
fn view_api() -> OpenApiRouter<Ground> {
    catalogue_api(
        OpenApiRouter::with_openapi(openapi::about())
            .routes(routes!(status::status))
            .routes(routes!(events::events)),
    )
}

fn catalogue_api(api: OpenApiRouter<Ground>) -> OpenApiRouter<Ground> {
    api.routes(routes!(found::find))
        .routes(routes!(found::entry))
        .routes(routes!(found::unit))
        .routes(routes!(found::population))
}

/// What is answered below `/api/v1`: of a bench PC all of it.
fn api_of(is_view: bool) -> OpenApiRouter<Ground> {
    OpenApiRouter::new().nest("/api/v1", if is_view { view_api() } else { api() })
}

/// Everything that is answered.
pub fn router(ground: Ground) -> Router {
    let (api, _) = api_of(ground.daemon.settings.view.is_some()).split_for_parts();
    Router::new()
        .merge(api)
        .route("/api/v1/openapi.json", get(openapi::json))
        .route("/metrics", get(status::metrics))
        .route("/", get(page::index))
        .route("/assets/{*name}", get(page::asset))
        .fallback(problem::no_such_place)
        .method_not_allowed_fallback(problem::no_such_method)
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(from_fn_with_state(ground.clone(), access::judge))
        .layer(from_fn_with_state(ground.clone(), view::only_reads))
        .layer(from_fn(page::shielded))
        .layer(from_fn_with_state(ground.clone(), status::counted))
        .with_state(ground)
}
