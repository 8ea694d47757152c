//! A person's reset of a latched trip, through the daemon: the number that was shown must still be that of the trip that
//! stands. The work itself is done by the program's own `reset`, which opens the bench, switches everything off once
//! more, reads it back, measures, and refuses while the cause stands.

use std::process::Stdio;
use std::time::Duration;

use serde::Deserialize;
use sha2::{Digest, Sha256};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::process::Command;

use crate::bench::{Latched, latched};
use crate::daemon::Daemon;
use crate::settings::BenchPlace;

/// A reset switches off, reads back and measures: longer than this it hangs.
const RESET_TIME: Duration = Duration::from_secs(60);
/// Longest that is kept of what a reset says, bytes.
const SAID_BYTES_MAX: u64 = 64 * 1024;

/// Why a reset is refused.
#[derive(Debug, thiserror::Error)]
pub enum ResetError {
    /// Nothing is latched.
    #[error("no trip is latched on this bench")]
    Nothing,
    /// The number is that of another trip, or of none.
    #[error("the number is not that of the trip that stands: what was shown is out of date")]
    Number,
    /// A run holds the bench.
    #[error("a run holds this bench")]
    Held,
    /// It did not succeed.
    #[error("not reset: {0}")]
    Refused(String),
}

/// What the program's own reset says first.
#[derive(Deserialize)]
struct Standing {
    number: String,
}

/// The number by which a person says that it is this trip that was looked at: another one for every trip and every start
/// of the daemon.
pub fn number_of(daemon: &Daemon, latched: &Latched) -> String {
    let text = format!("{} {:?} {} {}", daemon.events.boot(), latched.at_utc, latched.alarm, latched.cause);
    let digest = Sha256::digest(text);
    let number = digest.iter().take(4).fold(0_u32, |sum, byte| (sum << 8) | u32::from(*byte));
    format!("{:06}", number % 1_000_000)
}

/// Resets the trip of that number. Energises nothing.
///
/// # Errors
/// [`ResetError`]; the trip stands as before.
pub async fn reset(daemon: &Daemon, place: &BenchPlace, number: &str) -> Result<(), ResetError> {
    let at = place.clone();
    let standing = tokio::task::spawn_blocking(move || latched(&at)).await;
    let standing = standing.map_err(|error| ResetError::Refused(error.to_string()))?;
    let standing = standing.ok_or(ResetError::Nothing)?;
    if number_of(daemon, &standing) != number.trim() {
        return Err(ResetError::Number);
    }
    let done = tokio::time::timeout(RESET_TIME, carry_out(daemon, place)).await;
    let done = done.unwrap_or_else(|_| Err(format!("it took more than {} s", RESET_TIME.as_secs())));
    done.map_err(ResetError::Refused)
}

async fn carry_out(daemon: &Daemon, place: &BenchPlace) -> Result<(), String> {
    let mut command = Command::new(&daemon.settings.program);
    command.arg("reset").arg("--tell").arg("--bench").arg(&place.file).arg("--held-as").arg(&place.id);
    command.arg("--state").arg(place.state.parent().unwrap_or(&place.state));
    command.process_group(0).kill_on_drop(true);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().map_err(|error| format!("starting it: {error}"))?;
    let (Some(mut orders), Some(told), Some(said)) =
        (child.stdin.take(), child.stdout.take(), child.stderr.take())
    else {
        return Err("it was started without pipes".into());
    };
    // Read beside everything else: who writes there must not wait for us.
    let said = tokio::spawn(async move {
        let mut text = String::new();
        said.take(SAID_BYTES_MAX).read_to_string(&mut text).await.map(|_| text)
    });
    let mut lines = BufReader::new(told).lines();
    let first = lines.next_line().await.map_err(|error| error.to_string())?;
    if let Some(standing) = first.and_then(|line| serde_json::from_str::<Standing>(&line).ok()) {
        let line = format!("{}\n", standing.number);
        orders.write_all(line.as_bytes()).await.map_err(|error| error.to_string())?;
    }
    drop(orders);
    let status = child.wait().await.map_err(|error| error.to_string())?;
    let said = said.await.map_err(|error| error.to_string())?.map_err(|error| error.to_string())?;
    if status.success() { Ok(()) } else { Err(said.trim().trim_start_matches("wattproof: ").to_string()) }
}
