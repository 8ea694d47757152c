//! Where an answer ends, for every way in which instruments end them.

use wattproof_scpi::{ReaderError, Response, ResponseReader};

use crate::settings::Terminator;

/// What kind of answer is awaited.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Want {
    /// One line.
    Line,
    /// A definite block, or a line where it is refused.
    Definite,
    /// An indefinite block of so many bytes: on a serial line nothing else tells where it ends (IEEE 488.2, 8.7.10).
    Indefinite(usize),
}

/// Puts an answer together from pieces.
pub(crate) enum Framer {
    /// Ends in a line feed, as IEEE 488.2 has it.
    Standard(ResponseReader),
    /// Anything else.
    Plain(Plain),
}

/// An answer counted out by hand.
pub(crate) struct Plain {
    want: Want,
    end: &'static [u8],
    limit_bytes: usize,
    held: Vec<u8>,
}

impl Framer {
    /// `room`, whose content goes, is where the first answer is put together.
    pub(crate) fn new(want: Want, end: Terminator, limit_bytes: usize, mut room: Vec<u8>) -> Framer {
        match (want, end) {
            (Want::Line | Want::Definite, Terminator::Lf | Terminator::Crlf) => {
                Framer::Standard(ResponseReader::with_room(limit_bytes, room))
            }
            _ => {
                room.clear();
                Framer::Plain(Plain { want, end: end.bytes(), limit_bytes, held: room })
            }
        }
    }

    /// Takes bytes off the front of `input` until an answer is complete, without its end.
    pub(crate) fn next(&mut self, input: &mut &[u8]) -> Option<Result<Vec<u8>, ReaderError>> {
        match self {
            Framer::Standard(reader) => reader.next(input).map(|found| found.map(Response::into_bytes)),
            Framer::Plain(plain) => plain.next(input),
        }
    }
}

impl Plain {
    fn next(&mut self, input: &mut &[u8]) -> Option<Result<Vec<u8>, ReaderError>> {
        while let Some((byte, rest)) = input.split_first() {
            // As much of a block as is here goes at once.
            let left = self.payload_end().map_or(0, |end| end.saturating_sub(self.held.len()));
            let count = left.min(input.len()).max(1);
            if count > 1 {
                let (piece, rest) = input.split_at_checked(count).unwrap_or((input, &[]));
                self.held.extend_from_slice(piece);
                *input = rest;
            } else {
                self.held.push(*byte);
                *input = rest;
            }
            if self.held.len() > self.limit_bytes {
                self.held = Vec::new();
                return Some(Err(ReaderError::TooLong { limit_bytes: self.limit_bytes }));
            }
            let body = self.payload_end().unwrap_or(0);
            if self.held.len() >= body + self.end.len() && self.held.ends_with(self.end) {
                let mut answer = std::mem::take(&mut self.held);
                answer.truncate(answer.len() - self.end.len());
                return Some(Ok(answer));
            }
        }
        None
    }

    /// Where the payload of a block ends; None while that is not known, and for a line.
    fn payload_end(&self) -> Option<usize> {
        match (self.want, self.held.as_slice()) {
            (Want::Indefinite(bytes), [b'#', b'0', ..]) => Some(2 + bytes),
            (Want::Definite, [b'#', digits @ b'1'..=b'9', rest @ ..]) => {
                let digits = usize::from(digits - b'0');
                let length = std::str::from_utf8(rest.get(..digits)?).ok()?;
                Some(2 + digits + length.parse::<usize>().ok()?)
            }
            // The header of a block is not complete: no byte of it is an end.
            (Want::Indefinite(_), b"#") | (Want::Definite, b"#") => Some(2),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(want: Want, end: Terminator, bytes: &[u8], piece: usize) -> Vec<Vec<u8>> {
        let mut framer = Framer::new(want, end, 1_000, b"of before".to_vec());
        let mut found = Vec::new();
        for piece in bytes.chunks(piece) {
            let mut input = piece;
            while let Some(answer) = framer.next(&mut input) {
                found.push(answer.unwrap());
            }
        }
        found
    }

    // IEEE 488.2, 8.7.9 and 8.7.10 (from memory): the blocks; ends other than NL are common practice, no source.
    #[test]
    fn every_end_in_every_split() {
        for piece in 1..12 {
            assert_eq!(
                all(Want::Line, Terminator::Cr, b"1.5\rON\r", piece),
                [b"1.5".to_vec(), b"ON".to_vec()]
            );
            assert_eq!(all(Want::Line, Terminator::Crlf, b"1.5\r\n", piece), [b"1.5\r".to_vec()]);
            let block = b"#14\r\n\r\n\r";
            assert_eq!(all(Want::Definite, Terminator::Cr, block, piece), [b"#14\r\n\r\n".to_vec()]);
            let block = b"#0\n\n\r\n\n";
            assert_eq!(all(Want::Indefinite(4), Terminator::Lf, block, piece), [b"#0\n\n\r\n".to_vec()]);
            let block = b"#0\n\n\r\n\r\n";
            assert_eq!(all(Want::Indefinite(4), Terminator::Crlf, block, piece), [b"#0\n\n\r\n".to_vec()]);
            // A device that refuses says so in a line.
            assert_eq!(all(Want::Indefinite(4), Terminator::Lf, b"ERR\n", piece), [b"ERR".to_vec()]);
            // A block too short never ends: the time-out tells.
            assert!(all(Want::Indefinite(9), Terminator::Lf, b"#0\n\n\n\n", piece).is_empty());
        }
    }
}
