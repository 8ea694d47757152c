//! The instrument end's input: bytes in any split become whole program messages, in bounded memory.

use crate::error::ScpiError;
use crate::framing::{Framing, Side, Step};

/// Cuts a byte stream into program messages.
///
/// A message that grows beyond the limit is dropped up to its terminator and answered with one error: −223
/// when a block or string made it too long, −363 otherwise. A definite block is followed to its declared end
/// even then, so that its bytes are not taken for commands; a string is not, because a quote that was never
/// closed would swallow everything after it.
#[derive(Debug, Clone)]
pub struct Splitter {
    framing: Framing,
    message: Vec<u8>,
    limit_bytes: usize,
    overflow: Option<i16>,
}

impl Splitter {
    /// Whether a message has begun and not ended: also one whose newline lies in an open string or block.
    #[must_use]
    pub fn is_begun(&self) -> bool {
        !self.message.is_empty() || self.overflow.is_some()
    }

    /// A splitter that keeps at most `limit_bytes` of one message.
    #[must_use]
    pub fn new(limit_bytes: usize) -> Self {
        Self { framing: Framing::new(Side::Program), message: Vec::new(), limit_bytes, overflow: None }
    }

    /// Takes bytes off the front of `input` until a message is complete; `None` once `input` is used up.
    /// The message comes without its terminator.
    pub fn next(&mut self, input: &mut &[u8]) -> Option<Result<Vec<u8>, ScpiError>> {
        while !input.is_empty() {
            // Looking no further than one byte beyond the limit makes the error the same in any split.
            let room = match self.overflow {
                Some(_) => usize::MAX,
                None => self.limit_bytes.saturating_sub(self.message.len()).max(1),
            };
            match self.framing.step(input.get(..room).unwrap_or(input)) {
                Step::More(count) => {
                    let (taken, rest) = input.split_at_checked(count).unwrap_or((input, &[]));
                    self.keep(taken);
                    *input = rest;
                }
                Step::End => {
                    *input = input.get(1..).unwrap_or_default();
                    return Some(self.finish());
                }
            }
        }
        None
    }

    /// Ends the message that was begun, as the interface's END message does where there is one. `None` when
    /// nothing was begun.
    pub fn end(&mut self) -> Option<Result<Vec<u8>, ScpiError>> {
        self.framing.restart();
        (self.overflow.is_some() || !self.message.is_empty()).then(|| self.finish())
    }

    /// Forgets what was begun (device clear).
    pub fn clear(&mut self) {
        self.framing.restart();
        self.message = Vec::new();
        self.overflow = None;
    }

    /// Bytes of the message begun that are held.
    #[must_use]
    pub fn held_bytes(&self) -> usize {
        self.message.capacity()
    }

    fn keep(&mut self, taken: &[u8]) {
        if self.overflow.is_some() {
            return;
        }
        let coming = self.framing.payload_left().saturating_add(taken.len());
        if self.message.len().saturating_add(coming) > self.limit_bytes {
            let in_data = self.framing.in_data();
            self.overflow = Some(if in_data { -223 } else { -363 });
            self.message = Vec::new();
            self.framing.discard();
        } else {
            // A declared block is reserved at once, so that a large one is not copied as it grows.
            self.message.reserve(coming);
            self.message.extend_from_slice(taken);
        }
    }

    fn finish(&mut self) -> Result<Vec<u8>, ScpiError> {
        let message = std::mem::take(&mut self.message);
        match self.overflow.take() {
            Some(number) => {
                let info = format!("a message may have {} bytes", self.limit_bytes);
                Err(ScpiError::with_info(number, info))
            }
            None => Ok(message),
        }
    }
}
