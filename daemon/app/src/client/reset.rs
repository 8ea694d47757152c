//! `wattproof reset` where a daemon holds the bench: it shows cause and number, a person types that number, the daemon
//! resets that trip and no other.

use std::path::Path;
use std::time::Duration;

use serde::Deserialize;
use serde_json::json;
use wattproof_serve::{Bench, Latched};

use super::block_on;
use super::socket::Socket;
use super::status::Status;
use crate::cautions::CAUTIONS;
use crate::cli::ResetOrder;
use crate::failure::Failure;
use crate::reset::{ask_for_number, said_reset, typed};
use crate::say::say;
use crate::state_folder::all_state;

/// A reset switches off, reads back and measures.
const RESET_TIME: Duration = Duration::from_secs(90);

/// What the daemon tells of a trip.
#[derive(Deserialize)]
struct Standing {
    latched: Option<Latched>,
    number: Option<String>,
    may_reset: bool,
    why_not: Option<String>,
}

/// Resets through the daemon; false where none holds that bench.
pub fn reset_through_daemon(order: &ResetOrder, bench: &str, file: &Path) -> Result<bool, Failure> {
    let Some(state) = all_state(order.state.as_deref()) else { return Ok(false) };
    let socket = Socket::of(&state);
    block_on(async {
        let status = match Status::ask(&socket).await {
            Err(error) if error.is_nobody() => return Ok(false),
            status => status?,
        };
        let Ok(held) = status.holding(bench, file)? else { return Ok(false) };
        let standing: Standing = socket.get(&format!("/benches/{}/latch", held.bench)).await?;
        let (Some(latched), Some(number)) = (&standing.latched, &standing.number) else {
            return say("no trip is latched: the bench may be armed").map(|()| true);
        };
        aside!("{CAUTIONS}\n");
        say(&format!("This bench tripped: {}", latched.cause))?;
        if let Some(at) = latched.at_utc {
            say(&format!("  when: {}", at.to_rfc3339()))?;
        }
        if latched.alarm {
            say("  an output was not confirmed off: look before anything else")?;
        }
        if !standing.may_reset {
            let why_not = standing.why_not.as_deref().unwrap_or("the daemon does not say why");
            return Err(Failure::Said(format!("not reset: {why_not}")));
        }
        ask_for_number(number, order.from_pipe)?;
        if typed()? != *number {
            return Err(Failure::Said("not reset: the number was not that one".into()));
        }
        let place = format!("/benches/{}/reset", held.bench);
        let _reset: Bench = socket.within(RESET_TIME).post(&place, &json!({ "number": number })).await?;
        said_reset().map(|()| true)
    })?
}
