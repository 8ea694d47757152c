//! The description of the API (OpenAPI 3.1), made from the code that answers.

use axum::Json;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::openapi::{ComponentsBuilder, InfoBuilder, OpenApi, OpenApiBuilder, SecurityRequirement};
use utoipa_axum::router::OpenApiRouter;

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
    OpenApiRouter::new().nest("/api/v1", super::api()).into_openapi().merge_from_self(about())
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
pub async fn json() -> Json<OpenApi> {
    Json(document())
}
