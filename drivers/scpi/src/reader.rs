//! The controller end's input: bytes in any split become complete response messages, cut into data elements
//! (IEEE 488.2 8), in bounded memory. Blocks are lent, not copied.

use std::borrow::Cow;

use crate::ascii::{is_white, is_word, text, trim};
use crate::error::{Fault, ParseError};
use crate::framing::{Framing, Side, Step};
use crate::{block, lex, number};

/// A response that was dropped.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReaderError {
    /// It grew beyond the limit.
    #[error(
        "a response grew beyond {limit_bytes} bytes and was dropped; ask for fewer samples or raise the limit"
    )]
    TooLong {
        /// The limit.
        limit_bytes: usize,
    },
}

/// Cuts a byte stream into response messages.
#[derive(Debug, Clone)]
pub struct ResponseReader {
    framing: Framing,
    message: Vec<u8>,
    limit_bytes: usize,
    overflow: bool,
}

impl ResponseReader {
    /// A reader that keeps at most `limit_bytes` of one response.
    #[must_use]
    pub fn new(limit_bytes: usize) -> Self {
        Self::with_room(limit_bytes, Vec::new())
    }

    /// The same, which puts the first response into `room`, whose content goes: for long responses one after the other.
    #[must_use]
    pub fn with_room(limit_bytes: usize, mut room: Vec<u8>) -> Self {
        room.clear();
        Self { framing: Framing::new(Side::Response), message: room, limit_bytes, overflow: false }
    }

    /// Takes bytes off the front of `input` until a response is complete; `None` once `input` is used up.
    /// A response that is too long is dropped up to its end and answered with one error.
    pub fn next(&mut self, input: &mut &[u8]) -> Option<Result<Response, ReaderError>> {
        while !input.is_empty() {
            let room = self.limit_bytes.saturating_sub(self.message.len()).max(1);
            let room = if self.overflow { usize::MAX } else { room };
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

    /// Forgets what was begun; for use after a time-out.
    pub fn clear(&mut self) {
        self.framing.restart();
        self.message = Vec::new();
        self.overflow = false;
    }

    /// Whether a response has begun but not ended.
    #[must_use]
    pub fn begun(&self) -> bool {
        self.overflow || !self.message.is_empty()
    }

    /// Bytes of the response begun that are held.
    #[must_use]
    pub fn held_bytes(&self) -> usize {
        self.message.capacity()
    }

    fn keep(&mut self, taken: &[u8]) {
        if self.overflow {
            return;
        }
        let coming = self.framing.payload_left().saturating_add(taken.len());
        if self.message.len().saturating_add(coming) > self.limit_bytes {
            self.overflow = true;
            self.message = Vec::new();
            self.framing.discard();
        } else {
            self.message.reserve(coming);
            self.message.extend_from_slice(taken);
        }
    }

    fn finish(&mut self) -> Result<Response, ReaderError> {
        let raw = std::mem::take(&mut self.message);
        if std::mem::take(&mut self.overflow) {
            return Err(ReaderError::TooLong { limit_bytes: self.limit_bytes });
        }
        Ok(Response { raw })
    }
}

/// One complete response message, without its terminator.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Response {
    raw: Vec<u8>,
}

/// One data element of a response.
#[derive(Debug, Clone, PartialEq)]
pub enum Element<'a> {
    /// NR1, NR2, NR3 or non-decimal; SCPI's special values are NaN and the infinities already.
    Number(f64),
    /// Character data.
    Word(&'a str),
    /// A string, quotes undone.
    Text(Cow<'a, str>),
    /// A block's payload.
    Block(&'a [u8]),
    /// Anything else: arbitrary text up to the next separator, as in `*IDN?`.
    Other(Cow<'a, str>),
}

impl Response {
    /// A response from bytes that are complete already, without terminator.
    #[must_use]
    pub fn from_bytes(raw: Vec<u8>) -> Self {
        Self { raw }
    }

    /// The bytes as they came.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.raw
    }

    /// The bytes as they came, given away.
    #[must_use]
    pub fn into_bytes(self) -> Vec<u8> {
        self.raw
    }

    /// The whole response as text, white space at the ends removed; for `*IDN?` and for the log.
    #[must_use]
    pub fn text(&self) -> Cow<'_, str> {
        text(trim(&self.raw))
    }

    /// Every element with the number of its unit, from 0.
    #[must_use]
    pub fn elements(&self) -> Elements<'_> {
        Elements { raw: &self.raw, pos: 0, unit: 0, done: false }
    }

    /// The only element.
    ///
    /// # Errors
    /// A malformed element, or more than one.
    pub fn only(&self) -> Result<Element<'_>, ParseError> {
        let mut elements = self.elements();
        let first = elements.next().ok_or_else(|| ParseError::new(Fault::Missing, 0, "one data element"))?;
        if elements.next().is_some() {
            return Err(ParseError::new(Fault::Separator, 0, "one data element alone"));
        }
        first.map(|(_, element)| element)
    }

    /// The only element, as a number.
    ///
    /// # Errors
    /// As [`Response::only`]; −104 when it is not a number.
    pub fn number(&self) -> Result<f64, ParseError> {
        match self.only()? {
            Element::Number(value) => Ok(value),
            _ => Err(ParseError::new(Fault::DataType, 0, "a number")),
        }
    }

    /// All elements, as numbers.
    ///
    /// # Errors
    /// A malformed element, or one that is not a number.
    pub fn numbers(&self) -> Result<Vec<f64>, ParseError> {
        self.elements()
            .map(|item| match item? {
                (_, Element::Number(value)) => Ok(value),
                _ => Err(ParseError::new(Fault::DataType, 0, "numbers")),
            })
            .collect()
    }

    /// The only element, as a block's payload.
    ///
    /// # Errors
    /// As [`Response::only`]; −104 when it is not a block.
    pub fn block(&self) -> Result<&[u8], ParseError> {
        match self.only()? {
            Element::Block(bytes) => Ok(bytes),
            _ => Err(ParseError::new(Fault::DataType, 0, "a block")),
        }
    }

    /// The only element, as 1 or 0.
    ///
    /// # Errors
    /// As [`Response::number`]; −104 for any other number.
    pub fn boolean(&self) -> Result<bool, ParseError> {
        match self.only()? {
            Element::Number(1.0) => Ok(true),
            Element::Number(0.0) => Ok(false),
            _ => Err(ParseError::new(Fault::DataType, 0, "1 or 0")),
        }
    }

    /// An answer to `SYSTem:ERRor?`: the number and the string.
    ///
    /// # Errors
    /// −104 when the response is not an integer and a string.
    pub fn error_entry(&self) -> Result<(i16, String), ParseError> {
        let wrong = || ParseError::new(Fault::DataType, 0, "an error number and a string");
        let mut elements = self.elements();
        let (Some(number), Some(info), None) = (elements.next(), elements.next(), elements.next()) else {
            return Err(wrong());
        };
        match (number?.1, info?.1) {
            (Element::Number(n), Element::Text(info)) if n.fract() == 0.0 && n.abs() <= 32767.0 =>
            {
                #[expect(clippy::cast_possible_truncation, reason = "an integer within range, checked above")]
                Ok((n as i16, info.into_owned()))
            }
            _ => Err(wrong()),
        }
    }
}

/// The elements of a response in order.
#[derive(Debug, Clone)]
pub struct Elements<'a> {
    raw: &'a [u8],
    pos: usize,
    unit: usize,
    done: bool,
}

impl<'a> Iterator for Elements<'a> {
    type Item = Result<(usize, Element<'a>), ParseError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.done {
            return None;
        }
        // An empty response has no elements; an empty place between separators is an empty one.
        if self.unit == 0 && self.pos == 0 && trim(self.raw).is_empty() {
            self.done = true;
            return None;
        }
        let unit = self.unit;
        match self.element() {
            Ok(element) => Some(Ok((unit, element))),
            Err(error) => {
                self.done = true;
                Some(Err(error))
            }
        }
    }
}

impl<'a> Elements<'a> {
    /// Reads the element at the cursor and the separator after it.
    fn element(&mut self) -> Result<Element<'a>, ParseError> {
        let start = crate::ascii::run_end(self.raw, self.pos, is_white);
        let rest = self.raw.get(start..).unwrap_or_default();
        let (element, end) = match rest {
            [b'"', ..] => {
                let (bytes, end) = lex::quoted(self.raw, start, b'"')
                    .ok_or_else(|| ParseError::new(Fault::StringData, self.raw.len(), "the closing quote"))?;
                let content = match bytes {
                    Cow::Borrowed(bytes) => text(bytes),
                    Cow::Owned(bytes) => Cow::Owned(text(&bytes).into_owned()),
                };
                (Element::Text(content), end)
            }
            [b'#', b'0'..=b'9', ..] => {
                let (first, end) = block::payload(rest).map_err(|e| e.shifted(start))?;
                (Element::Block(rest.get(first..end).unwrap_or_default()), start + end)
            }
            _ => {
                let length = rest.iter().take_while(|b| !matches!(b, b',' | b';')).count();
                let piece = trim(rest.get(..length).unwrap_or_default());
                (plain(piece).map_err(|e| e.shifted(start))?, start + length)
            }
        };
        self.pos = crate::ascii::run_end(self.raw, end, is_white);
        match self.raw.get(self.pos) {
            None => self.done = true,
            Some(b',') => self.pos += 1,
            Some(b';') => {
                self.pos += 1;
                self.unit += 1;
            }
            Some(_) => return Err(ParseError::new(Fault::Separator, self.pos, ", or ; after an element")),
        }
        Ok(element)
    }
}

/// An element that is neither string nor block.
fn plain(piece: &[u8]) -> Result<Element<'_>, ParseError> {
    match piece.first() {
        Some(b'0'..=b'9' | b'+' | b'-' | b'.') => match number::parse_decimal(piece) {
            Ok((value, used)) if used == piece.len() => return Ok(Element::Number(number::from_wire(value))),
            // A number cut short by other text is not a number: `2026-05-01`, `1.0-beta`.
            Ok(_) => {}
            Err(error) if matches!(error.fault, Fault::ExponentTooLarge | Fault::TooManyDigits) => {
                return Err(error);
            }
            Err(_) => {}
        },
        Some(b'#') => {
            let (value, used) = number::parse_nondecimal(piece)?;
            if used == piece.len() {
                #[expect(clippy::cast_precision_loss, reason = "a double is what a reading is")]
                return Ok(Element::Number(value as f64));
            }
        }
        Some(byte) if byte.is_ascii_alphabetic() && piece.iter().all(|b| is_word(*b)) => {
            if let Ok(word) = std::str::from_utf8(piece) {
                return Ok(Element::Word(word));
            }
        }
        _ => {}
    }
    Ok(Element::Other(text(piece)))
}
