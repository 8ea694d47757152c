//! Requests over the daemon's socket, each on a connection of its own and with a limit in time.

use std::collections::VecDeque;
use std::future::Future;
use std::path::{Path, PathBuf};
use std::time::Duration;

use http_body_util::{BodyExt, Full, Limited};
use hyper::body::{Bytes, Incoming};
use hyper::client::conn::http1::handshake;
use hyper::{Method, Request, Response};
use hyper_util::rt::TokioIo;
use serde::Serialize;
use serde::de::DeserializeOwned;
use tokio::net::UnixStream;
use tokio::time::timeout;
use wattproof_serve::SOCKET_FILE;

use super::ask_error::{AskError, Problem};
use super::event_lines::{Event, EventLines};

/// Longest that an answer may take.
const PATIENT: Duration = Duration::from_secs(10);
/// The same where a person wants everything off.
pub const QUICK: Duration = Duration::from_secs(1);
/// Longest answer, bytes: the ratings of a run with a thousand of them.
const ANSWER_BYTES_MAX: usize = 32 << 20;

/// The daemon's socket.
#[derive(Debug, Clone)]
pub struct Socket {
    path: PathBuf,
    within: Duration,
}

impl Socket {
    /// Of the daemon that keeps its state in a folder.
    pub fn of(state: &Path) -> Self {
        Socket { path: state.join("daemon").join(SOCKET_FILE), within: PATIENT }
    }

    /// The same with another limit in time for each answer.
    pub fn within(&self, within: Duration) -> Self {
        Socket { path: self.path.clone(), within }
    }

    /// Asks for something.
    ///
    /// # Errors
    /// [`AskError`].
    pub async fn get<T: DeserializeOwned>(&self, place: &str) -> Result<T, AskError> {
        self.ask(Method::GET, place, Bytes::new()).await
    }

    /// Wants something done.
    ///
    /// # Errors
    /// [`AskError`].
    pub async fn post<T: DeserializeOwned>(&self, place: &str, body: &impl Serialize) -> Result<T, AskError> {
        let body = serde_json::to_vec(body);
        let body = body.map_err(|error| AskError::Odd { asked: place.into(), what: error.to_string() })?;
        self.ask(Method::POST, place, body.into()).await
    }

    async fn ask<T: DeserializeOwned>(&self, how: Method, place: &str, body: Bytes) -> Result<T, AskError> {
        let asked = format!("{how} {place}");
        let answered = self.limited(async {
            let answer = self.send(how, place, body, None).await?;
            let status = answer.status();
            let body = Limited::new(answer.into_body(), ANSWER_BYTES_MAX).collect().await;
            let body = body.map_err(|error| self.broken(error))?.to_bytes();
            Ok((status, body))
        });
        let (status, body) = answered.await?;
        if !status.is_success() {
            return Err(refusal(status.as_u16(), &body));
        }
        serde_json::from_slice(&body).map_err(|error| AskError::Odd { asked, what: error.to_string() })
    }

    /// Listens to what happens on a bench after an event.
    ///
    /// # Errors
    /// [`AskError`].
    pub async fn events(&self, bench: &str, after: &str) -> Result<Events, AskError> {
        let place = format!("/events?bench={bench}");
        let answer = self.limited(self.send(Method::GET, &place, Bytes::new(), Some(after))).await?;
        if !answer.status().is_success() {
            let status = answer.status().as_u16();
            let body = self
                .limited(async { answer.into_body().collect().await.map_err(|error| self.broken(error)) });
            return Err(refusal(status, &body.await?.to_bytes()));
        }
        Ok(Events { body: answer.into_body(), lines: EventLines::default(), heard: VecDeque::new() })
    }

    async fn limited<T>(&self, work: impl Future<Output = Result<T, AskError>>) -> Result<T, AskError> {
        let slow = || AskError::Slow { path: self.path.clone(), within: self.within };
        timeout(self.within, work).await.unwrap_or_else(|_| Err(slow()))
    }

    async fn send(
        &self,
        how: Method,
        place: &str,
        body: Bytes,
        after: Option<&str>,
    ) -> Result<Response<Incoming>, AskError> {
        let nobody = |source| AskError::Nobody { path: self.path.clone(), source };
        let stream = UnixStream::connect(&self.path).await.map_err(nobody)?;
        let (mut sender, connection) =
            handshake(TokioIo::new(stream)).await.map_err(|error| self.broken(error))?;
        // Ends with the answer's body.
        tokio::spawn(async move {
            if let Err(error) = connection.await {
                tracing::debug!(%error, "the connection to the daemon ended");
            }
        });
        let mut request = Request::builder()
            .method(how)
            .uri(format!("/api/v1{place}"))
            .header("host", "localhost")
            .header("content-type", "application/json");
        if let Some(after) = after {
            request = request.header("last-event-id", after);
        }
        let request = request
            .body(Full::new(body))
            .map_err(|error| AskError::Odd { asked: place.into(), what: error.to_string() })?;
        sender.send_request(request).await.map_err(|error| self.broken(error))
    }

    fn broken(&self, error: impl ToString) -> AskError {
        AskError::Broken { path: self.path.clone(), what: error.to_string() }
    }
}

/// What a refusal says, or its status where it says nothing that is understood.
fn refusal(status: u16, body: &[u8]) -> AskError {
    let problem = serde_json::from_slice(body).unwrap_or_else(|_| Problem {
        status,
        detail: format!("the daemon refuses with status {status}"),
        next: "look at the daemon's log".into(),
    });
    AskError::Refused(Problem { status, ..problem })
}

/// Events as they come.
pub struct Events {
    body: Incoming,
    lines: EventLines,
    heard: VecDeque<Event>,
}

impl Events {
    /// The next one; None when the stream has ended. Nothing is lost when waiting for it is given up.
    pub async fn next(&mut self) -> Option<Event> {
        loop {
            if let Some(event) = self.heard.pop_front() {
                return Some(event);
            }
            let frame = match self.body.frame().await? {
                Ok(frame) => frame,
                Err(error) => {
                    tracing::info!(%error, "the stream of events broke off");
                    return None;
                }
            };
            let Ok(piece) = frame.into_data() else { continue };
            match self.lines.take(&piece) {
                Ok(events) => self.heard.extend(events),
                Err(error) => {
                    tracing::error!(%error, "the stream of events can't be followed");
                    return None;
                }
            }
        }
    }
}
