//! A program message cut into units, each with its full header path (IEEE 488.2 7.3, 7.6; SCPI-1999 6.2.4).
//!
//! After `;` a header starts at the node that holds the last mnemonic of the header before it; a leading `:`
//! starts at the root; common commands leave that node alone; the end of the message returns to the root.

use crate::ascii::{is_white, is_word, run_end, skip_white};
use crate::error::{Fault, ParseError};
use crate::lex;
use crate::mnemonic::MNEMONIC_MAX;
use crate::param::Param;

/// The deepest header path taken: far above any real tree, it bounds what `A:B;C:D;E:F…` can grow.
pub const DEPTH_MAX: usize = 32;

/// One command or query.
#[derive(Debug, Clone, PartialEq)]
pub struct MessageUnit<'a> {
    /// The mnemonics from the root, as written; a common command is one word with its `*`.
    pub path: Vec<&'a str>,
    /// Whether the header ends in `?`.
    pub query: bool,
    /// The parameters in order.
    pub params: Vec<Param<'a>>,
    /// Where the header starts in the message.
    pub offset: usize,
}

impl MessageUnit<'_> {
    /// The full header as text: `OUTP:STAT`, with `?` on a query.
    #[must_use]
    pub fn header(&self) -> String {
        let mut text = self.path.join(":");
        if self.query {
            text.push('?');
        }
        text
    }
}

/// How far a message has been read. It borrows nothing, so that execution can stop for `*WAI` and go on later.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Cursor {
    pos: usize,
    /// Where the nodes of the current path stand in the message.
    nodes: Vec<(usize, usize)>,
}

impl Cursor {
    /// The next unit of `message` (without its terminator), which must be the same at every call.
    /// Empty units are passed over. After an error, the rest of the message has no sure meaning.
    pub fn next<'a>(&mut self, message: &'a [u8]) -> Option<Result<MessageUnit<'a>, ParseError>> {
        loop {
            self.pos = skip_white(message, self.pos);
            match message.get(self.pos) {
                None => return None,
                Some(b';') => self.pos += 1,
                Some(_) => break,
            }
        }
        let unit = self.unit(message);
        if unit.is_err() {
            self.pos = message.len();
        }
        Some(unit)
    }

    fn unit<'a>(&mut self, message: &'a [u8]) -> Result<MessageUnit<'a>, ParseError> {
        let offset = self.pos;
        let (path, after) = self.header(message)?;
        let query = message.get(after) == Some(&b'?');
        let header_end = after + usize::from(query);
        let start = skip_white(message, header_end);
        let mut unit = MessageUnit { path, query, params: Vec::new(), offset };
        match message.get(start) {
            None | Some(b';') => {
                self.pos = start;
                return Ok(unit);
            }
            Some(byte) if start == header_end => return Err(after_header(*byte, start)),
            Some(_) => {}
        }
        self.pos = params(message, start, &mut unit.params)?;
        Ok(unit)
    }

    /// The full path of the header at the cursor, and where its mnemonics end.
    fn header<'a>(&mut self, message: &'a [u8]) -> Result<(Vec<&'a str>, usize), ParseError> {
        let mut pos = self.pos;
        if message.get(pos) == Some(&b'*') {
            let end = mnemonic(message, pos + 1)?;
            return Ok((vec![slice(message, pos, end)?], end));
        }
        if message.get(pos) == Some(&b':') {
            self.nodes.clear();
            pos += 1;
        }
        loop {
            let end = mnemonic(message, pos)?;
            self.nodes.push((pos, end));
            if self.nodes.len() > DEPTH_MAX {
                return Err(ParseError::new(Fault::Syntax, pos, "a header of at most 32 mnemonics"));
            }
            if message.get(end) != Some(&b':') {
                pos = end;
                break;
            }
            pos = end + 1;
        }
        let path =
            self.nodes.iter().map(|(from, to)| slice(message, *from, *to)).collect::<Result<_, _>>()?;
        self.nodes.pop();
        Ok((path, pos))
    }
}

/// Where the mnemonic that starts at `pos` ends.
fn mnemonic(message: &[u8], pos: usize) -> Result<usize, ParseError> {
    match message.get(pos) {
        Some(byte) if byte.is_ascii_alphabetic() => {}
        Some(byte) if is_white(*byte) || matches!(byte, b';' | b':' | b'?' | b'*') => {
            return Err(ParseError::new(Fault::Syntax, pos, "a mnemonic"));
        }
        Some(_) => {
            return Err(ParseError::new(Fault::InvalidCharacter, pos, "the first letter of a mnemonic"));
        }
        None => return Err(ParseError::new(Fault::Syntax, pos, "a mnemonic")),
    }
    let end = run_end(message, pos, is_word);
    // Digits at the end are a numeric suffix, which the limit leaves alone.
    let digits =
        message.get(pos..end).unwrap_or_default().iter().rev().take_while(|b| b.is_ascii_digit()).count();
    if end - pos - digits > MNEMONIC_MAX {
        return Err(ParseError::new(Fault::MnemonicTooLong, pos, "a mnemonic of at most 12 characters"));
    }
    Ok(end)
}

fn slice(message: &[u8], from: usize, to: usize) -> Result<&str, ParseError> {
    message
        .get(from..to)
        .and_then(|bytes| std::str::from_utf8(bytes).ok())
        .ok_or_else(|| ParseError::new(Fault::InvalidCharacter, from, "ASCII letters"))
}

fn after_header(byte: u8, offset: usize) -> ParseError {
    let starts_data =
        byte.is_ascii_digit() || matches!(byte, b'"' | b'\'' | b'#' | b'(' | b'+' | b'-' | b'.' | b',');
    let fault = if starts_data { Fault::HeaderSeparator } else { Fault::InvalidCharacter };
    ParseError::new(fault, offset, "white space, ? or ; after the header")
}

/// Reads parameters from `pos` to the end of the unit, and gives that end.
fn params<'a>(message: &'a [u8], mut pos: usize, into: &mut Vec<Param<'a>>) -> Result<usize, ParseError> {
    loop {
        let (param, end) = lex::param(message, pos)?;
        let end_of_number = matches!(param, Param::NonDecimal(_) | Param::Decimal { .. });
        into.push(param);
        pos = skip_white(message, end);
        match message.get(pos) {
            None | Some(b';') => return Ok(pos),
            Some(b',') => pos = skip_white(message, pos + 1),
            Some(b'.' | b'+' | b'-' | b'&' | b'!') if end_of_number && pos == end => {
                return Err(ParseError::new(Fault::NumberCharacter, pos, "the rest of a number"));
            }
            Some(_) => return Err(ParseError::new(Fault::Separator, pos, ", or ; after a parameter")),
        }
    }
}

/// The units of one message.
#[derive(Debug, Clone)]
pub struct Units<'a> {
    message: &'a [u8],
    cursor: Cursor,
}

/// Cuts `message` (without its terminator) into units.
#[must_use]
pub fn units(message: &[u8]) -> Units<'_> {
    Units { message, cursor: Cursor::default() }
}

impl<'a> Iterator for Units<'a> {
    type Item = Result<MessageUnit<'a>, ParseError>;

    fn next(&mut self) -> Option<Self::Item> {
        self.cursor.next(self.message)
    }
}
