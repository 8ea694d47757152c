//! The page and its files, which stand in the program itself; and what every answer says to a browser about trust.

use axum::extract::{Path, Request};
use axum::http::{HeaderName, HeaderValue, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use include_dir::{Dir, include_dir};

use super::Problem;

static PAGE: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/page");

/// The page may load and reach this daemon alone, and stand in nobody's frame.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// The page itself.
pub async fn index() -> Result<Response, Problem> {
    file("index.html")
}

/// A file of the page.
pub async fn asset(Path(name): Path<String>) -> Result<Response, Problem> {
    file(&name)
}

fn file(name: &str) -> Result<Response, Problem> {
    let nowhere = || Problem::nowhere(format!("the page has no file {name:?}"), "open / for the page");
    let file = PAGE.get_file(name).ok_or_else(nowhere)?;
    let kind = match name.rsplit_once('.').map(|(_, extension)| extension) {
        Some("html") => "text/html; charset=utf-8",
        Some("js" | "mjs") => "text/javascript; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("svg") => "image/svg+xml",
        _ => return Err(nowhere()),
    };
    Ok(([(header::CONTENT_TYPE, kind)], file.contents()).into_response())
}

/// Puts on every answer what keeps a browser from trusting it too far.
pub async fn shielded(request: Request, next: Next) -> Response {
    let mut answer = next.run(request).await;
    let headers = answer.headers_mut();
    let always = [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-store"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    ];
    for (name, value) in always {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(POLICY));
    answer
}
