//! Writes response messages: units joined by `;`, data by `,`, ended by NL (IEEE 488.2 8).

use crate::block;
use crate::error::ScpiError;
use crate::number::{format_nondecimal, format_nr1, format_nr2, format_nr3};

/// A response message being written. Data goes straight into the bytes that will be sent.
#[derive(Debug, Clone, Default)]
pub struct Reply {
    bytes: Vec<u8>,
    /// Units finished in the current message.
    units: usize,
    /// Data elements in the current unit.
    elements: usize,
    /// Where the current unit starts, its `;` included.
    unit_start: usize,
    indefinite: bool,
}

impl Reply {
    fn separate(&mut self) {
        if self.elements > 0 {
            self.bytes.push(b',');
        } else if self.units > 0 {
            self.bytes.push(b';');
        }
        self.elements += 1;
    }

    /// An integer.
    pub fn nr1(&mut self, value: i64) {
        self.raw(&format_nr1(value));
    }

    /// A fixed-point number with `decimals` digits after the point.
    pub fn nr2(&mut self, value: f64, decimals: usize) {
        self.raw(&format_nr2(value, decimals));
    }

    /// A floating-point number that reads back as the same double; NaN and infinities as SCPI writes them.
    pub fn nr3(&mut self, value: f64) {
        self.raw(&format_nr3(value));
    }

    /// An integer in base 16, 8 or 2.
    pub fn nondecimal(&mut self, value: u64, base: u32) {
        self.raw(&format_nondecimal(value, base));
    }

    /// A boolean: 1 or 0.
    pub fn boolean(&mut self, value: bool) {
        self.raw(if value { "1" } else { "0" });
    }

    /// Character data, in its short form: give `NORM`, not `NORMal`.
    pub fn word(&mut self, word: &str) {
        self.raw(word);
    }

    /// A string in double quotes; a quote inside is doubled.
    pub fn string(&mut self, text: &str) {
        self.separate();
        self.bytes.push(b'"');
        self.bytes.extend_from_slice(text.replace('"', "\"\"").as_bytes());
        self.bytes.push(b'"');
    }

    /// Text that is a whole response already, such as the four fields of `*IDN?`.
    pub fn raw(&mut self, text: &str) {
        self.separate();
        self.bytes.extend_from_slice(text.as_bytes());
    }

    /// A definite block.
    ///
    /// # Errors
    /// −223 beyond 999 999 999 bytes.
    pub fn block(&mut self, payload: &[u8]) -> Result<(), ScpiError> {
        self.block_with(payload.len(), |bytes| bytes.extend_from_slice(payload))
    }

    /// A definite block of exactly `length_bytes`, written in place by `write`, so that a large capture is
    /// not copied again.
    ///
    /// # Errors
    /// −223 beyond 999 999 999 bytes; −310 when `write` appends another number of bytes.
    pub fn block_with(
        &mut self,
        length_bytes: usize,
        write: impl FnOnce(&mut Vec<u8>),
    ) -> Result<(), ScpiError> {
        let header = block::header(length_bytes)
            .ok_or_else(|| ScpiError::with_info(-223, "a block may have 999999999 bytes"))?;
        self.separate();
        self.bytes.reserve(header.len() + length_bytes + 1);
        self.bytes.extend_from_slice(header.as_bytes());
        let start = self.bytes.len();
        write(&mut self.bytes);
        if self.bytes.len() != start + length_bytes {
            return Err(ScpiError::with_info(-310, "a block came out with another length than announced"));
        }
        Ok(())
    }

    /// An indefinite block, which must be the last element of the message.
    ///
    /// # Errors
    /// −310 when the payload holds NL, which on a serial line would end the message early.
    pub fn indefinite(&mut self, payload: &[u8]) -> Result<(), ScpiError> {
        if payload.contains(&b'\n') {
            return Err(ScpiError::with_info(
                -310,
                "an indefinite block cannot carry NL; use a definite one",
            ));
        }
        self.separate();
        self.bytes.extend_from_slice(b"#0");
        self.bytes.extend_from_slice(payload);
        self.indefinite = true;
        Ok(())
    }

    /// Whether the current message holds a reply already (MAV).
    #[must_use]
    pub fn waiting(&self) -> bool {
        self.units > 0 || self.elements > 0
    }

    /// Whether an indefinite block has closed the message to further data.
    pub(crate) fn closed(&self) -> bool {
        self.indefinite
    }

    /// Ends the unit, if it wrote anything.
    pub fn end_unit(&mut self) {
        if self.elements > 0 {
            self.units += 1;
            self.elements = 0;
        }
        self.unit_start = self.bytes.len();
    }

    /// Takes back what the unit has written.
    pub fn drop_unit(&mut self) {
        self.bytes.truncate(self.unit_start);
        self.elements = 0;
    }

    /// Ends the message with NL, if anything was written.
    pub fn end_message(&mut self) {
        self.end_unit();
        if self.units > 0 {
            self.bytes.push(b'\n');
        }
        self.units = 0;
        self.indefinite = false;
        self.unit_start = self.bytes.len();
    }

    /// The bytes written since the last call. Take them between units only.
    #[must_use]
    pub fn take(&mut self) -> Vec<u8> {
        self.unit_start = 0;
        std::mem::take(&mut self.bytes)
    }
}
