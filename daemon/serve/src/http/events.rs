//! The stream of events (server-sent events of the HTML standard): what happens as it happens, and what a listener
//! missed.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::{Query, State};
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use bytes::BytesMut;
use chrono::Utc;
use serde::Deserialize;
use serde_json::json;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::{RecvError, TryRecvError};
use tokio::sync::mpsc::{Sender, channel};
use tokio_stream::wrappers::ReceiverStream;
use utoipa::IntoParams;

use super::{Ground, Problem};
use crate::events::{Event, Heard, frame};

/// A listener without a sign of life for twice this long has lost its connection.
const BEAT: Duration = Duration::from_secs(2);
/// How long events are gathered into one piece: a thousand listeners are woken once for a step, not five times.
const TOGETHER: Duration = Duration::from_millis(25);
/// Longest piece, bytes.
const PIECE_BYTES: usize = 64 * 1024;
/// Most listeners.
const LISTENERS_MAX: usize = 4000;

/// A piece of the stream.
type Piece = Result<Bytes, Infallible>;

/// What is listened for.
#[derive(Debug, Deserialize, IntoParams)]
pub struct Asked {
    /// Only of this bench.
    bench: Option<String>,
    /// The last event that was had, where the header Last-Event-ID can't be set.
    after: Option<String>,
}

/// Everything that happens, as it happens
///
/// Kinds: `bench` (a bench changed), `job` (a job changed), `removed` (a job is not listed any more), `step`, `rating`,
/// `log`, `gap` (events after Last-Event-ID are no longer known: read everything anew), `beat` (every 2 s, without
/// identity).
#[utoipa::path(get, path = "/events", tag = "status", params(Asked, ("Last-Event-ID" = Option<String>, Header, description = "The last event that was had")),
    responses((status = 200, description = "text/event-stream", body = String, content_type = "text/event-stream"), (status = 503, description = "Too many listen", body = Problem, content_type = "application/problem+json")))]
pub async fn events(
    State(ground): State<Ground>,
    headers: HeaderMap,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Response, Problem> {
    let Query(asked) = asked?;
    if ground.daemon.events.listeners() >= LISTENERS_MAX {
        let status = axum::http::StatusCode::SERVICE_UNAVAILABLE;
        return Err(Problem::new(
            status,
            "too many listen to events already",
            "close other pages, then ask again",
        ));
    }
    let after =
        headers.get("last-event-id").and_then(|id| id.to_str().ok()).map(str::to_string).or(asked.after);
    let heard = ground.daemon.events.join(after.as_deref());
    let (out, stream) = channel(16);
    tokio::spawn(send(ground, heard, asked.bench, out));
    let body = Body::from_stream(ReceiverStream::new(stream));
    Ok(([(header::CONTENT_TYPE, "text/event-stream")], body).into_response())
}

/// Sends until the listener is gone or the daemon ends.
async fn send(ground: Ground, mut heard: Heard, bench: Option<String>, out: Sender<Piece>) {
    let wanted = |event: &Event| match (&bench, &event.bench) {
        (Some(bench), Some(of)) => bench == of,
        _ => true,
    };
    // The first beat at once: the listener knows that it is heard.
    let mut first = BytesMut::from(beat().as_ref());
    first.extend(heard.gap.then(gap).iter().flatten());
    first.extend(heard.missed.iter().filter(|event| wanted(event)).flat_map(|event| event.frame.iter()));
    if out.send(Ok(first.freeze())).await.is_err() {
        return;
    }
    let mut beats = tokio::time::interval_at(tokio::time::Instant::now() + BEAT, BEAT);
    loop {
        let next = tokio::select! {
            () = ground.ending.cancelled() => return,
            () = out.closed() => return,
            _ = beats.tick() => Some(beat()),
            event = heard.live.recv() => match event {
                Ok(event) => together(&mut heard.live, &event, &wanted).await,
                // It reads too slowly.
                Err(RecvError::Lagged(_)) => Some(gap()),
                Err(RecvError::Closed) => return,
            },
        };
        if let Some(next) = next
            && out.send(Ok(next)).await.is_err()
        {
            return;
        }
    }
}

/// An event with those that come right behind it, in one piece: a step is several.
async fn together(
    live: &mut Receiver<Arc<Event>>,
    event: &Event,
    wanted: &impl Fn(&Event) -> bool,
) -> Option<Bytes> {
    tokio::time::sleep(TOGETHER).await;
    let mut piece = BytesMut::new();
    if wanted(event) {
        piece.extend_from_slice(&event.frame);
    }
    while piece.len() < PIECE_BYTES {
        match live.try_recv() {
            Ok(event) if wanted(&event) => piece.extend_from_slice(&event.frame),
            Ok(_) => {}
            Err(TryRecvError::Lagged(_)) => piece.extend_from_slice(&gap()),
            Err(TryRecvError::Empty | TryRecvError::Closed) => break,
        }
    }
    (!piece.is_empty()).then(|| piece.freeze())
}

fn beat() -> Bytes {
    frame(None, "beat", &json!({ "now_utc": Utc::now() }).to_string())
}

fn gap() -> Bytes {
    frame(None, "gap", "{}")
}
