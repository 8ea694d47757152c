//! Standard output, for which a reader that has gone away is no error.

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

/// Writes a line to standard error. A run whose daemon died has nobody who reads it, and must end in order all the same.
pub fn complain(text: &str) {
    if let Err(error) = writeln!(std::io::stderr().lock(), "wattproof: {text}") {
        tracing::debug!(%error, "nobody reads standard error");
    }
}

/// Writes a value as JSON.
pub fn say_json(value: &impl Serialize) -> Result<(), Failure> {
    let text = serde_json::to_string_pretty(value)
        .map_err(|error| Failure::Said(format!("this can't be put into JSON: {error}; please report it")))?;
    say(&text)
}
