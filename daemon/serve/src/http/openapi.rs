//! The description of the API (OpenAPI 3.1), made from the code that answers.

use axum::Json;
use axum::extract::State;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::openapi::{ComponentsBuilder, InfoBuilder, OpenApi, OpenApiBuilder, SecurityRequirement};

use super::Ground;

/// What stands above the list of what can be asked.
pub fn about() -> OpenApi {
    let info = InfoBuilder::new()
        .title("Wattproof")
        .version(env!("CARGO_PKG_VERSION"))
        .description(Some("The daemon of the bench PC: queue of runs, benches, what happens, recorded runs. Errors are problem+json. What changes anything needs the token, except over the unix socket."));
    let bearer = SecurityScheme::Http(HttpBuilder::new().scheme(HttpAuthScheme::Bearer).build());
    OpenApiBuilder::new()
        .info(info.build())
        .components(Some(ComponentsBuilder::new().security_scheme("token", bearer).build()))
        .security(Some([
            SecurityRequirement::new("token", Vec::<String>::new()),
            SecurityRequirement::default(),
        ]))
        .build()
}

/// The whole description.
pub fn document() -> OpenApi {
    document_of(false)
}

fn document_of(is_view: bool) -> OpenApi {
    super::api_of(is_view).into_openapi().merge_from_self(about())
}

/// Keeps title and security, which nesting leaves out.
trait Titled {
    fn merge_from_self(self, about: OpenApi) -> OpenApi;
}

impl Titled for OpenApi {
    fn merge_from_self(mut self, about: OpenApi) -> OpenApi {
        (self.info, self.security) = (about.info, about.security);
        self
    }
}

/// `/api/v1/openapi.json`.
pub async fn json(State(ground): State<Ground>) -> Json<OpenApi> {
    Json(document_of(ground.daemon.settings.view.is_some()))
}
