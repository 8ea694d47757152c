//! Standard output and standard error, for which a reader that has gone away is no error.

use std::io::{ErrorKind, Write};
use std::os::fd::AsFd;
use std::sync::atomic::{AtomicBool, Ordering};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use serde::Serialize;

use crate::failure::Failure;

/// Writes a line and flushes it. A closed pipe ends the program quietly, as other tools do.
pub fn say(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    match writeln!(out, "{text}").and_then(|()| out.flush()) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Err(Failure::NobodyReads),
        Err(source) => Err(Failure::System { what: "writing to standard output", source }),
    }
}

/// Writes a value as JSON.
pub fn say_json(value: &impl Serialize) -> Result<(), Failure> {
    say(&serde_json::to_string_pretty(value).map_err(not_json)?)
}

/// Writes a value as JSON on one line, where more follow.
pub fn say_json_line(value: &impl Serialize) -> Result<(), Failure> {
    say(&serde_json::to_string(value).map_err(not_json)?)
}

fn not_json(error: serde_json::Error) -> Failure {
    Failure::Said(format!("this can't be put into JSON: {error}; please report it"))
}

/// Writes a line for a person to standard error. Nobody there is no error, and never a reason to leave a bench or a
/// record as it is: a terminal can be closed at any moment, and a pipe's reader may not read.
pub fn aside(text: &str) {
    let out = std::io::stderr();
    if !takes(&out) {
        return;
    }
    let mut out = out.lock();
    if writeln!(out, "{text}").and_then(|()| out.flush()).is_err() {
        tracing::trace!("nobody reads standard error");
    }
}

/// How long a reader may take to make room, the first time.
const PATIENCE: Timespec = Timespec { tv_sec: 2, tv_nsec: 0 };
/// Whether somebody has not read for so long.
static UNREAD: AtomicBool = AtomicBool::new(false);

/// Whether a write would not wait for ever: a pipe with room for a page says so (pipe(7)), a file always does.
fn takes(out: &impl AsFd) -> bool {
    let patience = if UNREAD.load(Ordering::Relaxed) { Timespec::default() } else { PATIENCE };
    let ready = poll(&mut [PollFd::new(out, PollFlags::OUT)], Some(&patience));
    // What can't be asked is written to.
    let takes = !matches!(ready, Ok(0));
    UNREAD.store(!takes, Ordering::Relaxed);
    takes
}

/// `eprintln!` without its panic.
macro_rules! aside {
    ($($text:tt)*) => { $crate::say::aside(&format!($($text)*)) };
}
