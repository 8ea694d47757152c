//! Arbitrary blocks: `#<n><length><bytes>` and `#0<bytes>` ended by the end of the message
//! (IEEE 488.2 7.7.6, 8.7.9, 8.7.10).

use crate::error::{Fault, ParseError};

/// Where the payload of the block at the start of `text` lies, as (first, end). An indefinite block takes the
/// whole rest; `text` must not hold the message terminator any more.
///
/// # Errors
/// −161 when the header is malformed or the length is not satisfied.
pub fn payload(text: &[u8]) -> Result<(usize, usize), ParseError> {
    let fault = |offset, expected| ParseError::new(Fault::BlockData, offset, expected);
    if text.first() != Some(&b'#') {
        return Err(fault(0, "# before a block"));
    }
    match text.get(1) {
        Some(b'0') => Ok((2, text.len())),
        Some(n @ b'1'..=b'9') => {
            let first = 2 + usize::from(n - b'0');
            let digits =
                text.get(2..first).ok_or_else(|| fault(text.len(), "the digits of the block length"))?;
            let mut length: usize = 0;
            for (i, digit) in digits.iter().enumerate() {
                if !digit.is_ascii_digit() {
                    return Err(fault(2 + i, "a digit of the block length"));
                }
                length = length.saturating_mul(10).saturating_add(usize::from(digit - b'0'));
            }
            match first.checked_add(length) {
                Some(end) if end <= text.len() => Ok((first, end)),
                _ => Err(fault(text.len(), "as many bytes as the block length says")),
            }
        }
        _ => Err(fault(1, "a digit after #")),
    }
}

/// The header of a definite block of `length` bytes. Lengths beyond nine digits cannot be written: `None`.
#[must_use]
pub fn header(length: usize) -> Option<String> {
    let digits = length.to_string();
    (digits.len() <= 9).then(|| format!("#{}{digits}", digits.len()))
}
