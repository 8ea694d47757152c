//! Cuts one parameter out of a program message (IEEE 488.2 7.7).

use std::borrow::Cow;

use crate::ascii::{is_word, run_end, skip_white};
use crate::block;
use crate::error::{Fault, ParseError};
use crate::mnemonic::MNEMONIC_MAX;
use crate::number::{parse_decimal, parse_nondecimal};
use crate::param::Param;
use crate::unit::SUFFIX_MAX;

/// The parameter at `pos`, and where it ends.
pub(crate) fn param(text: &[u8], pos: usize) -> Result<(Param<'_>, usize), ParseError> {
    match text.get(pos) {
        Some(b'0'..=b'9' | b'+' | b'-' | b'.') => decimal(text, pos),
        Some(b'a'..=b'z' | b'A'..=b'Z') => word(text, pos),
        Some(quote @ (b'"' | b'\'')) => string(text, pos, *quote),
        Some(b'#') => hash(text, pos),
        Some(b'(') => expression(text, pos),
        Some(b',' | b';') | None => Err(ParseError::new(Fault::Missing, pos, "a parameter")),
        Some(_) => Err(ParseError::new(Fault::InvalidCharacter, pos, "a parameter")),
    }
}

/// A slice known to be ASCII, as text.
fn ascii(text: &[u8], from: usize, to: usize) -> Result<&str, ParseError> {
    let bytes = text.get(from..to).unwrap_or_default();
    std::str::from_utf8(bytes)
        .ok()
        .filter(|s| s.is_ascii())
        .ok_or_else(|| ParseError::new(Fault::InvalidCharacter, from, "ASCII text"))
}

fn decimal(text: &[u8], pos: usize) -> Result<(Param<'_>, usize), ParseError> {
    let (value, used) = parse_decimal(text.get(pos..).unwrap_or_default()).map_err(|e| e.shifted(pos))?;
    let number_end = pos + used;
    let start = skip_white(text, number_end);
    if !matches!(text.get(start), Some(b'a'..=b'z' | b'A'..=b'Z' | b'/')) {
        return Ok((Param::Decimal { value, suffix: "" }, number_end));
    }
    let end = run_end(text, start, |b| b.is_ascii_alphanumeric() || matches!(b, b'/' | b'.' | b'-'));
    if end - start > SUFFIX_MAX {
        return Err(ParseError::new(Fault::SuffixTooLong, start, "a suffix of at most 12 characters"));
    }
    Ok((Param::Decimal { value, suffix: ascii(text, start, end)? }, end))
}

fn word(text: &[u8], pos: usize) -> Result<(Param<'_>, usize), ParseError> {
    let end = run_end(text, pos, is_word);
    if end - pos > MNEMONIC_MAX {
        return Err(ParseError::new(Fault::CharacterDataTooLong, pos, "a word of at most 12 characters"));
    }
    Ok((Param::Word(ascii(text, pos, end)?), end))
}

/// The content of the string that opens at `pos`, quotes undone, and where it ends. One pass; borrowed unless
/// a quote is doubled.
pub(crate) fn quoted(text: &[u8], pos: usize, quote: u8) -> Option<(Cow<'_, [u8]>, usize)> {
    let mut start = pos + 1;
    let mut joined: Vec<u8> = Vec::new();
    loop {
        let end = run_end(text, start, |b| b != quote);
        let piece = text.get(start..end)?;
        if text.get(end) != Some(&quote) {
            return None;
        }
        if text.get(end + 1) == Some(&quote) {
            joined.extend_from_slice(piece);
            joined.push(quote);
            start = end + 2;
        } else if joined.is_empty() {
            return Some((Cow::Borrowed(piece), end + 1));
        } else {
            joined.extend_from_slice(piece);
            return Some((Cow::Owned(joined), end + 1));
        }
    }
}

fn string(text: &[u8], pos: usize, quote: u8) -> Result<(Param<'_>, usize), ParseError> {
    let fault = |offset, expected| ParseError::new(Fault::StringData, offset, expected);
    let (bytes, end) = quoted(text, pos, quote).ok_or_else(|| fault(text.len(), "the closing quote"))?;
    if !bytes.is_ascii() {
        return Err(fault(pos, "7-bit ASCII between the quotes"));
    }
    let content = match bytes {
        Cow::Borrowed(bytes) => std::str::from_utf8(bytes).ok().map(Cow::Borrowed),
        Cow::Owned(bytes) => String::from_utf8(bytes).ok().map(Cow::Owned),
    };
    content.map(|text| (Param::Text(text), end)).ok_or_else(|| fault(pos, "7-bit ASCII between the quotes"))
}

fn hash(text: &[u8], pos: usize) -> Result<(Param<'_>, usize), ParseError> {
    let rest = text.get(pos..).unwrap_or_default();
    if matches!(rest.get(1), Some(b'H' | b'h' | b'Q' | b'q' | b'B' | b'b')) {
        let (value, used) = parse_nondecimal(rest).map_err(|e| e.shifted(pos))?;
        return Ok((Param::NonDecimal(value), pos + used));
    }
    let (first, end) = block::payload(rest).map_err(|e| e.shifted(pos))?;
    Ok((Param::Block(rest.get(first..end).unwrap_or_default()), pos + end))
}

/// An expression runs to its closing parenthesis; strings inside may hold parentheses.
fn expression(text: &[u8], pos: usize) -> Result<(Param<'_>, usize), ParseError> {
    let fault = |offset, expected| ParseError::new(Fault::Expression, offset, expected);
    let mut depth: usize = 0;
    let mut at = pos;
    while let Some(byte) = text.get(at) {
        match byte {
            b'(' => depth += 1,
            b')' => {
                depth = depth.saturating_sub(1);
                if depth == 0 {
                    return Ok((Param::Expression(ascii(text, pos, at + 1)?), at + 1));
                }
            }
            b'"' | b'\'' => {
                at = quoted(text, at, *byte).ok_or_else(|| fault(text.len(), "the closing quote"))?.1;
                continue;
            }
            b';' | b'#' => return Err(fault(at, "an expression without ; or #")),
            _ => {}
        }
        at += 1;
    }
    Err(fault(text.len(), "the closing parenthesis"))
}
