//! Bringing question and answer back into step, by a nonce that must come back.

use std::time::Duration;

use wattproof_link::{Link, LinkError};

use super::{ANSWER_BYTES_MAX, Session};
use crate::error::{Fault, InstrumentError};
use crate::framer::{Framer, Want};
use crate::settings::{Echo, Resync};

/// What resynchronising sends ahead of its newline, attempt by attempt: a flipped bit may have opened a string, in which
/// some instruments swallow newlines. The last one closes what the second opened where no string was open at all.
/// With it stands the share of the usual patience: together no more than three usual attempts.
const CLOSERS: [(&str, f64); 4] = [("", 1.0), ("\"", 0.25), ("'", 0.25), ("\"", 0.9)];

/// Share of the usual time for finding step right behind an urgent message.
const SOON: f64 = 0.25;

impl Session {
    /// Whether a setting and a question may share a message, and nothing but answers comes back.
    pub(super) fn asks_in_one_message(&self) -> bool {
        self.settings.chaining && self.settings.query_chaining && self.settings.echo == Echo::None
    }

    /// Asks for the nonce at once. Answers to what was asked before come before it, and are skipped; what is asked
    /// next still refuses anything that follows.
    pub(super) fn find_step_soon(&mut self) {
        let nonce = self.fresh_nonce();
        let end = self.settings.terminator.bytes();
        let ask = [format!("*ESE {nonce};*ESE?").as_bytes(), end].concat();
        let restore = [format!("*ESE {}", self.event_enable).as_bytes(), end].concat();
        let deadline = self.deadline(Duration::from_millis(self.settings.timeout_ms).mul_f64(SOON));
        let found = self
            .link
            .send(&ask, deadline)
            .map_err(Unsynced::from)
            .and_then(|()| self.await_nonce(nonce, deadline))
            .and_then(|()| self.link.send(&restore, deadline).map_err(Unsynced::from));
        match found {
            Ok(()) => (self.in_step, self.queue_owed, self.urgent_under_way) = (true, true, false),
            Err(Unsynced::Because(why)) => {
                tracing::debug!(instrument = self.name, why, "step not found at once")
            }
            Err(Unsynced::Link(cause)) => {
                tracing::debug!(instrument = self.name, %cause, "step not found at once");
            }
        }
    }

    /// Gets back into step, whether or not it was lost.
    ///
    /// # Errors
    /// `OutOfStep` when the instrument does not fall silent or does not give the nonce back; link failures.
    pub fn resynchronise(&mut self) -> Result<(), InstrumentError> {
        self.in_step = false;
        let mut why = String::new();
        for (closer, share) in CLOSERS {
            match self.resynchronise_once(closer, share) {
                Ok(()) => {
                    (self.in_step, self.urgent_under_way, self.queue_owed) = (true, false, false);
                    self.forget_queue();
                    return Ok(());
                }
                Err(Unsynced::Link(cause)) => {
                    return Err(self.context("").fault(Fault::Link { cause, partial: String::new() }));
                }
                Err(Unsynced::Because(words)) => why = words,
            }
        }
        Err(self.context("").fault(Fault::OutOfStep(why)))
    }

    fn resynchronise_once(&mut self, closer: &str, share: f64) -> Result<(), Unsynced> {
        let quiet = Duration::from_millis(self.settings.quiet_ms);
        let patience = Duration::from_millis(self.settings.timeout_ms).mul_f64(share).saturating_add(quiet);
        let end = self.settings.terminator.bytes();
        let line = |message: &str| [message.as_bytes(), end].concat();
        self.owed.clear();
        if !self.urgent_under_way {
            self.link.abandon()?;
        }
        // Ends whatever half message the instrument may hold.
        let deadline = self.deadline(patience);
        self.link.send(&[closer.as_bytes(), end].concat(), deadline)?;
        self.fall_silent(quiet, patience)?;
        if self.settings.resync == Resync::Drain {
            return Ok(());
        }
        let nonce = self.fresh_nonce();
        let deadline = self.deadline(patience);
        if self.settings.chaining && self.settings.query_chaining {
            self.link.send(&line(&format!("*ESE {nonce};*ESE?")), deadline)?;
        } else {
            self.link.send(&line(&format!("*ESE {nonce}")), deadline)?;
            self.link.send(&line("*ESE?"), deadline)?;
        }
        self.await_nonce(nonce, deadline)?;
        if self.fall_silent(quiet, patience)? > 0 {
            return Err(Unsynced::Because(format!("bytes followed its answer {nonce} to *ESE?")));
        }
        let restore = format!("*ESE {}", self.event_enable);
        self.link.send(&line(&restore), deadline.max(self.deadline(patience)))?;
        self.owed = self.echo_of(&restore);
        Ok(())
    }

    fn fall_silent(&mut self, quiet: Duration, patience: Duration) -> Result<usize, Unsynced> {
        let deadline = self.deadline(patience.saturating_add(quiet));
        match self.link.drain(quiet, deadline) {
            Ok(thrown) => Ok(thrown),
            Err(LinkError::TimedOut) => Err(Unsynced::Because("it does not stop sending".to_string())),
            Err(cause) => Err(Unsynced::Link(cause)),
        }
    }

    /// Skips answers until the nonce comes back. Late answers to earlier questions come before it.
    fn await_nonce(&mut self, nonce: u8, deadline: Duration) -> Result<(), Unsynced> {
        self.link.expects();
        let mut reader = Framer::new(Want::Line, self.settings.answer_end, ANSWER_BYTES_MAX, Vec::new());
        let mut buf = [0u8; 4096];
        let wanted = nonce.to_string();
        loop {
            let n = match self.link.receive(&mut buf, deadline) {
                Ok(n) => n,
                Err(LinkError::TimedOut) => {
                    return Err(Unsynced::Because(format!("{wanted} written to *ESE did not come back")));
                }
                Err(cause) => return Err(Unsynced::Link(cause)),
            };
            let mut input = buf.get(..n).unwrap_or_default();
            while let Some(response) = reader.next(&mut input) {
                let Ok(response) = response else { continue };
                let text = response.trim_ascii().to_vec();
                if text.strip_prefix(b"+").unwrap_or(&text) == wanted.as_bytes() {
                    // What follows in the same piece counts as surplus.
                    return if input.is_empty() {
                        Ok(())
                    } else {
                        Err(Unsynced::Because(format!("bytes followed its answer {wanted} to *ESE?")))
                    };
                }
            }
        }
    }

    /// Never the same twice in a row, never the value the register should hold, never 0 or 1, which are the
    /// commonest late answers. The stride is prime to the size of the cycle, so all values are used.
    pub(super) fn fresh_nonce(&mut self) -> u8 {
        loop {
            self.nonce = self.nonce.wrapping_add(97);
            if self.nonce > 1 && self.nonce != self.event_enable {
                return self.nonce;
            }
        }
    }
}

/// Why one attempt to resynchronise failed.
enum Unsynced {
    /// The link failed, so that trying again is useless.
    Link(LinkError),
    /// The instrument did not do its part.
    Because(String),
}

impl From<LinkError> for Unsynced {
    fn from(cause: LinkError) -> Unsynced {
        match cause {
            LinkError::TimedOut => Unsynced::Because("it does not take bytes (flow stopped)".to_string()),
            other => Unsynced::Link(other),
        }
    }
}
