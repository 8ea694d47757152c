//! Standard output and standard error, for which a reader that has gone away is no error.

use std::io::{ErrorKind, Write};

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
    let text = serde_json::to_string_pretty(value)
        .map_err(|error| Failure::Said(format!("this can't be put into JSON: {error}; please report it")))?;
    say(&text)
}

/// Writes a line for a person to standard error. Nobody there is no error, and never a reason to leave a bench or a
/// record as it is: a terminal can be closed at any moment.
pub fn aside(text: &str) {
    let mut out = std::io::stderr().lock();
    if writeln!(out, "{text}").and_then(|()| out.flush()).is_err() {
        tracing::trace!("nobody reads standard error");
    }
}

/// `eprintln!` without its panic.
macro_rules! aside {
    ($($text:tt)*) => { $crate::say::aside(&format!($($text)*)) };
}
