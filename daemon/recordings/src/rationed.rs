//! A source whose rows are bounded: a file may go on for ever without one coming to its end.

use std::cell::Cell;
use std::io::{Error, ErrorKind, Read};
use std::rc::Rc;

/// Longest row, bytes: a hundred times seventeen long numbers, and comments above them.
pub(crate) const ROW_BYTES_MAX: u64 = 1 << 20;

/// What may still be read before the row that is under way has come to its end.
#[derive(Clone, Default)]
pub(crate) struct Ration(Rc<Cell<u64>>);

impl Ration {
    /// A row has come to its end.
    pub fn renew(&self) {
        self.0.set(ROW_BYTES_MAX);
    }
}

/// The source.
pub(crate) struct Rationed<R> {
    pub source: R,
    pub left: Ration,
}

impl<R: Read> Read for Rationed<R> {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        let count = self.source.read(buf)?;
        let left = self.left.0.get().checked_sub(count as u64);
        let what = "a row, or a comment, is longer than 1 MiB: this is no table of numbers";
        self.left.0.set(left.ok_or_else(|| Error::new(ErrorKind::InvalidData, what))?);
        Ok(count)
    }
}
