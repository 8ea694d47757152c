//! Who may ask what. Four ways in are closed: another site's page that makes a browser ask (Origin, Sec-Fetch-Site), a
//! name that was bent to this machine (Host, DNS rebinding), a change without the token, and anything at all from
//! elsewhere without it. Over the socket only this user gets here; its file is nobody else's.

use std::net::IpAddr;
use std::time::Duration;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

use super::{Ground, Problem};

/// Longest that a request which brings something may take, a reset on slow instruments included.
const BODY_TIME: Duration = Duration::from_secs(90);

/// How a request came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Via {
    /// Over TCP from an address.
    Tcp(IpAddr),
    /// Over the socket that only this user can open.
    Socket,
}

/// Whether a request may change things.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MayChange(pub bool);

/// What requests are judged by.
pub struct Access {
    /// Of the token; comparing digests takes the same time however much of a guess is right.
    token: [u8; 32],
    /// Names by which browsers may ask, without port, in small letters.
    names: Vec<String>,
    /// Whether reading needs the token as well.
    read_needs_token: bool,
    scheme: &'static str,
}

impl Access {
    /// By a token, the names of this daemon, and whether it listens beyond this machine.
    pub fn new(token: &str, names: &[String], beyond: bool, tls: bool) -> Self {
        let mut names: Vec<String> = names.iter().map(|name| name.to_lowercase()).collect();
        names.extend(["localhost", "127.0.0.1", "[::1]"].map(String::from));
        let scheme = if tls { "https" } else { "http" };
        Access { token: Sha256::digest(token).into(), names, read_needs_token: beyond, scheme }
    }

    fn has_token(&self, headers: &HeaderMap) -> bool {
        let given = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
        let token = given
            .and_then(|given| given.split_once(' '))
            .filter(|(kind, _)| kind.eq_ignore_ascii_case("bearer"));
        token.is_some_and(|(_, token)| <[u8; 32]>::from(Sha256::digest(token.trim())) == self.token)
    }

    /// The request's own host, if it is one of ours.
    fn host<'a>(&self, headers: &'a HeaderMap, uri: &'a Uri) -> Option<&'a str> {
        let host = uri.authority().map(|authority| authority.as_str());
        let host = host.or_else(|| headers.get(header::HOST).and_then(|host| host.to_str().ok()))?;
        let port = host.rfind(':').filter(|at| !host[*at..].contains(']'));
        let name = port.map_or(host, |at| &host[..at]).to_lowercase();
        self.names.contains(&name).then_some(host)
    }

    /// Whether a page of this daemon asks, or no page at all.
    fn own_page(&self, headers: &HeaderMap, host: &str) -> bool {
        let text = |name: &str| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
        let own = format!("{}://{host}", self.scheme);
        let origin = text("origin").is_none_or(|origin| origin.eq_ignore_ascii_case(&own));
        // Typed addresses and bookmarks say "none".
        origin && text("sec-fetch-site").is_none_or(|site| matches!(site, "same-origin" | "none"))
    }

    fn judge(&self, request: &Request) -> Result<MayChange, Problem> {
        let via = request.extensions().get::<Via>().copied();
        if via == Some(Via::Socket) {
            return Ok(MayChange(true));
        }
        let (headers, method) = (request.headers(), request.method());
        let Some(host) = self.host(headers, request.uri()) else {
            let what = "this daemon does not go by the name in the request's Host";
            let next = "use localhost or its address; start it with --host-name NAME for another name";
            return Err(Problem::new(StatusCode::MISDIRECTED_REQUEST, what, next));
        };
        let reads = matches!(*method, Method::GET | Method::HEAD);
        // A link on another page may open the page; it may read and change nothing else.
        let opens = reads && request.uri().path() == "/";
        if !opens && !self.own_page(headers, host) {
            let what = "this request comes from a page of another site";
            return Err(Problem::new(StatusCode::FORBIDDEN, what, "open this daemon's own page"));
        }
        let has_token = self.has_token(headers);
        let public = opens || request.uri().path().starts_with("/assets/");
        let free = if self.read_needs_token { reads && public } else { reads };
        if !has_token && !free {
            let what = "this needs the daemon's token, and the request has none or another";
            let next =
                "send it as `Authorization: Bearer TOKEN`; it is in the file that `wattproof serve` names";
            return Err(Problem::new(StatusCode::UNAUTHORIZED, what, next));
        }
        Ok(MayChange(has_token))
    }
}

/// Judges every request before anything reads its body.
pub async fn judge(State(ground): State<Ground>, mut request: Request, next: Next) -> Response {
    match ground.access.judge(&request) {
        Ok(may) => {
            request.extensions_mut().insert(may);
            let slow = !matches!(*request.method(), Method::GET | Method::HEAD);
            let answer = next.run(request);
            if !slow {
                return answer.await;
            }
            tokio::time::timeout(BODY_TIME, answer).await.unwrap_or_else(|_| {
                let what = "the request took too long";
                Problem::new(StatusCode::REQUEST_TIMEOUT, what, "send it anew").into_response()
            })
        }
        Err(problem) => {
            let mut refused = problem.into_response();
            if refused.status() == StatusCode::UNAUTHORIZED {
                let bearer = axum::http::HeaderValue::from_static("Bearer");
                refused.headers_mut().insert(header::WWW_AUTHENTICATE, bearer);
            }
            refused
        }
    }
}
