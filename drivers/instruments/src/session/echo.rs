//! Instruments that send back what they are sent.

use std::time::Duration;

use wattproof_link::Link;

use super::Session;
use crate::answer::escaped;
use crate::error::{Fault, InstrumentError};
use crate::settings::Echo;

impl Session {
    /// What comes back when a message is sent, all of it.
    pub(super) fn echo_of(&self, message: &str) -> Vec<u8> {
        let end = match self.settings.echo {
            Echo::None => return Vec::new(),
            Echo::Bytes => self.settings.terminator.bytes(),
            Echo::Line => self.settings.answer_end.bytes(),
        };
        [message.as_bytes(), end].concat()
    }

    /// Takes the echo of a message and sees that it is one.
    pub(super) fn hear_echo(&mut self, message: &str, deadline: Duration) -> Result<(), InstrumentError> {
        let expected = self.echo_of(message);
        let mut came = Vec::with_capacity(expected.len());
        while came.len() < expected.len() {
            let mut buf = vec![0u8; expected.len() - came.len()];
            match self.link.receive(&mut buf, deadline) {
                Ok(n) => came.extend(buf.iter().take(n)),
                Err(cause) => return Err(self.failed(message, cause, &came)),
            }
            if !expected.starts_with(&came) {
                self.lose_step("the echo differs from what was sent");
                return Err(self.context(message).fault(Fault::EchoDiffers { came: escaped(&came) }));
            }
        }
        Ok(())
    }

    /// Takes an echo that was left to come. What is left of it in vain counts as bytes nobody asked for.
    pub(super) fn take_owed(&mut self) {
        let owed = std::mem::take(&mut self.owed);
        if owed.is_empty() || !self.in_step {
            return;
        }
        let deadline = self.deadline(Duration::from_millis(self.settings.timeout_ms));
        let mut came = Vec::new();
        let mut byte = [0u8; 1];
        while !came.ends_with(&owed) {
            match self.link.receive(&mut byte, deadline) {
                Ok(_) => came.extend_from_slice(&byte),
                Err(cause) => {
                    tracing::warn!(instrument = self.name, %cause, "an echo did not come");
                    self.lose_step("an echo did not come");
                    return;
                }
            }
        }
    }
}
