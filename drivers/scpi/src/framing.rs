//! Where a message ends: NL, but not inside a string or a block (IEEE 488.2 7.5, 7.7.5, 7.7.6).
//!
//! Both ends share this. It looks at each byte once and keeps no bytes itself.

use crate::ascii::is_white;

/// What the last byte was part of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    /// Between data: a quote or `#` here opens a string or a block.
    Open,
    /// Inside a header, number or word.
    Plain,
    Quoted(u8),
    Hash,
    Length {
        digits_left: u8,
        length: usize,
    },
    Payload(usize),
    Indefinite,
}

/// Which end of the wire the message comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    /// Program messages: both quotes open strings, white space parts header and data.
    Program,
    /// Response messages: only `"` opens a string, and only where an element starts, because arbitrary text
    /// (as in `*IDN?`) may hold any mark.
    Response,
}

#[derive(Debug, Clone)]
pub(crate) struct Framing {
    side: Side,
    place: Place,
    discarding: bool,
}

/// What a piece of input does to the message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Step {
    /// These first bytes belong to the message, and it goes on.
    More(usize),
    /// The first byte is the terminator.
    End,
}

impl Framing {
    pub(crate) fn new(side: Side) -> Self {
        Self { side, place: Place::Open, discarding: false }
    }

    pub(crate) fn restart(&mut self) {
        self.place = Place::Open;
        self.discarding = false;
    }

    /// From here on only the terminator matters: a definite block that has begun is followed to its end, but
    /// nothing new is opened, because a quote never closed would swallow everything after it.
    pub(crate) fn discard(&mut self) {
        self.discarding = true;
        if self.payload_left() == 0 {
            self.place = Place::Plain;
        }
    }

    /// Bytes of a definite block still to come.
    pub(crate) fn payload_left(&self) -> usize {
        match self.place {
            Place::Payload(left) => left,
            _ => 0,
        }
    }

    /// Whether the message stands inside a string or a block.
    pub(crate) fn in_data(&self) -> bool {
        !matches!(self.place, Place::Open | Place::Plain)
    }

    /// Looks at the start of `input`, which must not be empty.
    pub(crate) fn step(&mut self, input: &[u8]) -> Step {
        if let Place::Payload(left) = self.place {
            let take = left.min(input.len());
            self.place = if take == left { Place::Plain } else { Place::Payload(left - take) };
            return Step::More(take);
        }
        for (i, byte) in input.iter().enumerate() {
            let ends = *byte == b'\n' && self.ends_at_newline();
            if ends {
                return if i == 0 {
                    self.restart();
                    Step::End
                } else {
                    Step::More(i)
                };
            }
            if self.discarding {
                continue;
            }
            self.place = self.next(*byte);
            if matches!(self.place, Place::Payload(_)) {
                return Step::More(i + 1);
            }
        }
        Step::More(input.len())
    }

    fn ends_at_newline(&self) -> bool {
        !matches!(self.place, Place::Quoted(_) | Place::Payload(_))
    }

    fn next(&self, byte: u8) -> Place {
        match self.place {
            Place::Open => self.at_open(byte),
            Place::Plain => match byte {
                b',' | b';' => Place::Open,
                b'(' if self.side == Side::Program => Place::Open,
                _ if is_white(byte) && self.side == Side::Program => Place::Open,
                _ => Place::Plain,
            },
            // A doubled quote closes and opens again.
            Place::Quoted(quote) if byte == quote => Place::Open,
            Place::Quoted(quote) => Place::Quoted(quote),
            Place::Hash => match byte {
                b'0' => Place::Indefinite,
                b'1'..=b'9' => Place::Length { digits_left: byte - b'0', length: 0 },
                _ => Place::Plain,
            },
            Place::Length { digits_left, length } if byte.is_ascii_digit() => {
                let length = length.saturating_mul(10).saturating_add(usize::from(byte - b'0'));
                match (digits_left, length) {
                    (2.., _) => Place::Length { digits_left: digits_left - 1, length },
                    (_, 0) => Place::Plain,
                    _ => Place::Payload(length),
                }
            }
            Place::Length { .. } => Place::Plain,
            Place::Payload(left) => Place::Payload(left),
            Place::Indefinite => Place::Indefinite,
        }
    }

    fn at_open(&self, byte: u8) -> Place {
        match byte {
            b'"' => Place::Quoted(byte),
            b'\'' if self.side == Side::Program => Place::Quoted(byte),
            b'#' => Place::Hash,
            b',' | b';' => Place::Open,
            b'(' if self.side == Side::Program => Place::Open,
            _ if is_white(byte) => Place::Open,
            _ => Place::Plain,
        }
    }
}
