//! Numbers on the wire: NRf and non-decimal in, NR1, NR2, NR3 out, and SCPI's special values
//! (IEEE 488.2 7.7.2, 7.7.4, 8.7.2–8.7.4; SCPI-1999 7.2.1).

use crate::ascii::{run_end, skip_white};
use crate::error::{Fault, ParseError};

/// SCPI's "not a number".
pub const NAN: f64 = 9.91E37;
/// SCPI's infinity; negative infinity is its opposite.
pub const INFINITY: f64 = 9.9E37;
/// Most digits in a mantissa, leading zeros left out.
pub const DIGITS_MAX: usize = 255;
/// Largest magnitude of an exponent.
pub const EXPONENT_MAX: u32 = 32_000;

/// SCPI's special values as IEEE 754 has them: 9.91E37 is NaN, ±9.9E37 are the infinities. Instruments that
/// print from single precision miss the exact digits, hence one part in ten million of slack.
#[must_use]
pub fn from_wire(value: f64) -> f64 {
    let near = |special: f64| (value.abs() - special).abs() <= special * 1e-7;
    if value > 0.0 && near(NAN) {
        f64::NAN
    } else if near(INFINITY) {
        f64::INFINITY.copysign(value)
    } else {
        value
    }
}

/// IEEE 754's special values as SCPI writes them; everything else unchanged.
#[must_use]
pub fn to_wire(value: f64) -> f64 {
    if value.is_nan() {
        NAN
    } else if value.is_infinite() {
        INFINITY.copysign(value)
    } else {
        value
    }
}

/// Reads a decimal number (`NRf`) at the start of `text`; gives its value and the bytes used. White space may
/// stand on both sides of the exponent's `E`. SCPI's special values stay numbers: see [`from_wire`].
///
/// # Errors
/// −121 without a digit, −123 when the exponent is beyond ±32000, −124 with more than 255 digits.
pub fn parse_decimal(text: &[u8]) -> Result<(f64, usize), ParseError> {
    let is_digit = |b: u8| b.is_ascii_digit();
    let sign = usize::from(matches!(text.first(), Some(b'+' | b'-')));
    let whole = run_end(text, sign, is_digit);
    let point = text.get(whole) == Some(&b'.');
    let mantissa_end = if point { run_end(text, whole + 1, is_digit) } else { whole };
    let mantissa = text.get(..mantissa_end).unwrap_or_default();
    if !mantissa.iter().any(u8::is_ascii_digit) {
        return Err(ParseError::new(Fault::NumberCharacter, mantissa_end, "a digit"));
    }
    let digits = mantissa.iter().filter(|b| b.is_ascii_digit()).skip_while(|b| **b == b'0').count();
    if digits > DIGITS_MAX {
        return Err(ParseError::new(Fault::TooManyDigits, sign, "at most 255 digits"));
    }
    let (exponent, end) = exponent(text, mantissa_end)?;
    let mut clean = crate::ascii::text(mantissa).into_owned();
    if let Some(exponent) = exponent {
        clean.push('e');
        clean.push_str(&exponent.to_string());
    }
    let value = clean.parse().map_err(|_| ParseError::new(Fault::NumberCharacter, 0, "a decimal number"))?;
    Ok((value, end))
}

/// The exponent after a mantissa, and where it ends. An `E` without digits belongs to a suffix instead.
fn exponent(text: &[u8], mantissa_end: usize) -> Result<(Option<i64>, usize), ParseError> {
    let none = Ok((None, mantissa_end));
    let e = skip_white(text, mantissa_end);
    if !matches!(text.get(e), Some(b'e' | b'E')) {
        return none;
    }
    let sign = skip_white(text, e + 1);
    let (negative, first) = match text.get(sign) {
        Some(b'-') => (true, sign + 1),
        Some(b'+') => (false, sign + 1),
        _ => (false, sign),
    };
    let end = run_end(text, first, |b| b.is_ascii_digit());
    if end == first {
        return none;
    }
    let digits = crate::ascii::text(text.get(first..end).unwrap_or_default());
    let significant = digits.trim_start_matches('0');
    let magnitude = if significant.is_empty() { Some(0) } else { significant.parse::<u32>().ok() };
    match magnitude.filter(|m| *m <= EXPONENT_MAX) {
        Some(m) => Ok((Some(if negative { -i64::from(m) } else { i64::from(m) }), end)),
        None => Err(ParseError::new(Fault::ExponentTooLarge, first, "an exponent within 32000")),
    }
}

/// Reads a non-decimal number (`#H…`, `#Q…`, `#B…`) at the start of `text`; gives its value and bytes used.
///
/// # Errors
/// −121 with a digit outside the base or none at all, −124 beyond 64 bits.
pub fn parse_nondecimal(text: &[u8]) -> Result<(u64, usize), ParseError> {
    let (base, expected) = match text.get(..2) {
        Some([b'#', b'H' | b'h']) => (16, "a hexadecimal digit"),
        Some([b'#', b'Q' | b'q']) => (8, "an octal digit"),
        Some([b'#', b'B' | b'b']) => (2, "a binary digit"),
        _ => return Err(ParseError::new(Fault::NumberCharacter, 1, "H, Q or B after #")),
    };
    let end = run_end(text, 2, |b| b.is_ascii_alphanumeric());
    if end == 2 {
        return Err(ParseError::new(Fault::NumberCharacter, end, expected));
    }
    let mut value: u64 = 0;
    for (i, byte) in text.iter().enumerate().take(end).skip(2) {
        let digit = char::from(*byte)
            .to_digit(base)
            .ok_or_else(|| ParseError::new(Fault::NumberCharacter, i, expected))?;
        value = value
            .checked_mul(u64::from(base))
            .and_then(|v| v.checked_add(u64::from(digit)))
            .ok_or_else(|| ParseError::new(Fault::TooManyDigits, i, "at most 64 bits"))?;
    }
    Ok((value, end))
}

/// An integer as NR1.
#[must_use]
pub fn format_nr1(value: i64) -> String {
    value.to_string()
}

/// A number as NR2 (fixed point) with `decimals` digits after the point, at least one.
#[must_use]
pub fn format_nr2(value: f64, decimals: usize) -> String {
    let value = to_wire(value);
    format!("{value:.*}", decimals.clamp(1, DIGITS_MAX))
}

/// A number as NR3 with the fewest digits that read back as the same double.
#[must_use]
pub fn format_nr3(value: f64) -> String {
    let text = format!("{:E}", to_wire(value));
    let (mantissa, exponent) = text.split_once('E').unwrap_or((&text, "0"));
    let point = if mantissa.contains('.') { "" } else { ".0" };
    let plus = if exponent.starts_with('-') { "" } else { "+" };
    format!("{mantissa}{point}E{plus}{exponent}")
}

/// An integer in hexadecimal, octal or binary (`base` 16, 8 or 2; any other base is written as NR1).
#[must_use]
pub fn format_nondecimal(value: u64, base: u32) -> String {
    match base {
        16 => format!("#H{value:X}"),
        8 => format!("#Q{value:o}"),
        2 => format!("#B{value:b}"),
        _ => value.to_string(),
    }
}
