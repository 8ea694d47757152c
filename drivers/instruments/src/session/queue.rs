//! The error queue: when it is read, and what it held.

use std::time::Duration;

use super::{ANSWER_BYTES_MAX, Session};
use crate::error::{Context, Fault, InstrumentError, QueuedError};
use crate::framer::Want;
use crate::settings::ErrorCheck;

/// Most entries read off an error queue in one go. SCPI-1999 queues are shorter; one that never ends is a fault.
const QUEUE_ENTRIES_MAX: usize = 100;

impl Session {
    /// Reads the error queue until it is empty and reports what it held.
    ///
    /// # Errors
    /// `Reported` when it was not empty; link failures.
    pub fn check(&mut self) -> Result<(), InstrumentError> {
        self.ready()?;
        let context = self.context("");
        self.check_after(&context)
    }

    pub(super) fn check_each(&mut self) -> Result<(), InstrumentError> {
        if self.settings.error_check == ErrorCheck::Each {
            let context = self.context("");
            return self.check_after(&context);
        }
        Ok(())
    }

    /// Reads the queue and reports its entries as the answer to the message of `context`.
    pub(crate) fn check_after(&mut self, context: &Context) -> Result<(), InstrumentError> {
        let errors = self.read_queue()?;
        if errors.is_empty() { Ok(()) } else { Err(context.fault(Fault::Reported(errors))) }
    }

    pub(super) fn read_queue(&mut self) -> Result<Vec<QueuedError>, InstrumentError> {
        let question = self.settings.next_error.clone();
        let mut errors = Vec::new();
        if question.is_empty() {
            return Ok(errors);
        }
        let timeout = Duration::from_millis(self.settings.timeout_ms);
        while errors.len() < QUEUE_ENTRIES_MAX {
            let (number, text) =
                self.exchange(&question, timeout, Want::Line, ANSWER_BYTES_MAX)?.queued_error()?;
            if number == 0 {
                break;
            }
            errors.push(QueuedError { number, text });
        }
        Ok(errors)
    }

    /// After resynchronising the queue holds what the lost exchange caused, already told as a failure.
    pub(super) fn forget_queue(&mut self) {
        match self.read_queue() {
            Ok(errors) => {
                for error in errors {
                    tracing::warn!(
                        instrument = self.name,
                        number = error.number,
                        error.text,
                        "reported after lost step"
                    );
                }
            }
            Err(error) => tracing::warn!(%error, "the error queue was not read after lost step"),
        }
    }
}
