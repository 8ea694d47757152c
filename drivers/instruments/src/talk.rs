//! One message at a time from a person to an instrument, and what it says to it. No guarded path: whatever is typed is
//! sent.

use std::time::Duration;

use wattproof_link::Link;

use crate::answer::{Answer, escaped};
use crate::dialect::Dialect;
use crate::error::{Fault, InstrumentError, QueuedError};
use crate::operations::Effect;
use crate::session::Session;
use crate::settings::{ErrorCheck, Resync, SessionSettings};

/// Longest answer taken, bytes.
const ANSWER_BYTES_MAX: usize = 64 << 20;
/// Most entries read off an error queue after one message.
const QUEUE_ENTRIES_MAX: usize = 50;

/// A conversation.
#[derive(Debug)]
pub struct Talk {
    session: Session,
    dialect: Option<Dialect>,
    next_error: String,
    timeout: Duration,
}

/// What an instrument answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    /// A line of text.
    Text(String),
    /// The payload of a block (IEEE 488.2, 8.7.9).
    Block(Vec<u8>),
    /// Bytes that are neither.
    Bytes(Vec<u8>),
}

/// What came of one message.
#[derive(Debug)]
pub struct Reply {
    /// The answer, where a question was asked.
    pub answer: Option<Said>,
    /// What lay in the error queue afterwards.
    pub errors: Vec<QueuedError>,
    /// Why the error queue could not be read, if it could not.
    pub queue_unread: Option<InstrumentError>,
}

impl Talk {
    /// A conversation over an open link, in a dialect's way where one is given. The error queue is read after each
    /// message if `errors`, and the dialect has one.
    pub fn new(link: Box<dyn Link>, dialect: Option<Dialect>, timeout: Duration, errors: bool) -> Talk {
        let settings = dialect.as_ref().map(|dialect| dialect.session.clone()).unwrap_or_default();
        let next_error = if errors { settings.next_error.clone() } else { String::new() };
        // Nothing but what is typed, and the question for errors: no register is written to find back into step.
        let own = SessionSettings {
            resync: Resync::Drain,
            error_check: ErrorCheck::Never,
            next_error: String::new(),
            ..settings
        };
        Talk { session: Session::new(link, "it", own), dialect, next_error, timeout }
    }

    /// Sends one message; takes its answer if it asks for one, then reads the error queue.
    ///
    /// # Errors
    /// A message that is no line of printable ASCII (nothing was sent); link failures; no answer. The error queue is
    /// then looked at by [`Talk::errors`].
    pub fn say(&mut self, message: &str) -> Result<Reply, InstrumentError> {
        let message = message.trim();
        if let Some(words) = self.session.settings().unfit(message) {
            return Err(self.session.context("").fault(Fault::BadRequest(words)));
        }
        let answer = if self.asks(message) {
            Some(said(self.session.query_any(message, self.timeout, ANSWER_BYTES_MAX)?))
        } else {
            self.session.write_with(message, Effect::Sets)?;
            None
        };
        let (errors, queue_unread) = match self.errors() {
            Ok(errors) => (errors, None),
            Err(error) => (Vec::new(), Some(error)),
        };
        Ok(Reply { answer, errors, queue_unread })
    }

    /// Reads the error queue until it is empty. Empty where none is read.
    ///
    /// # Errors
    /// Link failures; an answer that is no entry of a queue.
    pub fn errors(&mut self) -> Result<Vec<QueuedError>, InstrumentError> {
        let mut errors = Vec::new();
        while !self.next_error.is_empty() && errors.len() < QUEUE_ENTRIES_MAX {
            let (number, text) = self.session.query(&self.next_error.clone())?.queued_error()?;
            if number == 0 {
                break;
            }
            errors.push(QueuedError { number, text });
        }
        Ok(errors)
    }

    /// Reads the error queue no more.
    pub fn leave_errors(&mut self) {
        self.next_error.clear();
    }

    /// Whether a message asks: a header that ends in a question mark (IEEE 488.2, 7.3.3), or a question of the dialect,
    /// which may have none.
    fn asks(&self, message: &str) -> bool {
        units(message)
            .iter()
            .any(|unit| unit.split_whitespace().next().is_some_and(|head| head.ends_with('?')))
            || self.dialect.as_ref().is_some_and(|dialect| dialect.asks(message))
    }
}

/// Message units: what stands between semicolons, outside of strings.
fn units(message: &str) -> Vec<&str> {
    let mut quote = None;
    message
        .split(move |c: char| match (quote, c) {
            (None, '"' | '\'') => {
                quote = Some(c);
                false
            }
            (Some(open), _) => {
                if c == open {
                    quote = None;
                }
                false
            }
            (None, _) => c == ';',
        })
        .collect()
}

fn said(answer: Answer) -> Said {
    if let Ok(text) = answer.text() {
        return Said::Text(text.to_string());
    }
    let bytes = answer.bytes().to_vec();
    match answer.into_block() {
        Ok(payload) => Said::Block(payload),
        Err(_) => Said::Bytes(bytes),
    }
}

/// Bytes made printable, cut when long: for showing what is no text.
pub fn shown(bytes: &[u8]) -> String {
    escaped(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_question_is_known_by_its_header() {
        // IEEE 488.2, 7.3.3 (query message units) and 7.7.5 (strings), from memory.
        let link = wattproof_link::pipe().unwrap().0;
        let talk = Talk::new(Box::new(link), None, Duration::from_secs(1), true);
        for (message, asks) in [
            ("*IDN?", true),
            ("VOLT? MAX", true),
            ("*ESE 4;*ESE?", true),
            ("MEAS:TEMP? (@1)", true),
            ("OUTP ON", false),
            ("DISP:TEXT \"ready; set?\"", false),
            ("DISP:TEXT 'x';*OPC?", true),
            ("VOLT 12", false),
        ] {
            assert_eq!(talk.asks(message), asks, "{message}");
        }
        let dialect = crate::dialect::shipped("listed-thermometer").unwrap();
        let link = wattproof_link::pipe().unwrap().0;
        let talk = Talk::new(Box::new(link), Some(dialect), Duration::from_secs(1), true);
        assert!(talk.asks("READ2") && !talk.asks("READ") && !talk.asks("RESET"));
    }
}
