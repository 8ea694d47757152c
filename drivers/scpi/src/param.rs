//! A parsed parameter, and what a command may want it to be.

use std::borrow::Cow;
use std::ops::RangeInclusive;

use crate::error::{Fault, ParseError, ScpiError};
use crate::mnemonic::is_keyword;
use crate::{channel, number, unit};

/// One parameter of a program message unit (IEEE 488.2 7.7).
#[derive(Debug, Clone, PartialEq)]
pub enum Param<'a> {
    /// `NRf` with its suffix, which may be empty.
    Decimal {
        /// The number as written, without its suffix's multiplier.
        value: f64,
        /// The suffix as written.
        suffix: &'a str,
    },
    /// `#H…`, `#Q…` or `#B…`.
    NonDecimal(u64),
    /// Character data.
    Word(&'a str),
    /// A string, quotes undone.
    Text(Cow<'a, str>),
    /// The payload of a definite or indefinite block.
    Block(&'a [u8]),
    /// An expression, parentheses included.
    Expression(&'a str),
}

/// A numeric parameter that may be one of SCPI's keywords.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Numeric {
    /// A number in the parameter's unit; NaN and the infinities stand for their keywords.
    Value(f64),
    /// `MINimum`.
    Minimum,
    /// `MAXimum`.
    Maximum,
    /// `DEFault`.
    Default,
    /// `UP`.
    Up,
    /// `DOWN`.
    Down,
}

impl Numeric {
    /// The value within `min..=max`; `MINimum`, `MAXimum` and `DEFault` are looked up.
    ///
    /// # Errors
    /// −222 outside the range or not a number, −224 for `UP` and `DOWN`.
    pub fn within(self, range: RangeInclusive<f64>, default: f64) -> Result<f64, ScpiError> {
        match self {
            Self::Value(value) if range.contains(&value) => Ok(value),
            Self::Value(value) => Err(ScpiError::out_of_range(format!(
                "{} is outside {} to {}",
                number::format_nr3(value),
                number::format_nr3(*range.start()),
                number::format_nr3(*range.end())
            ))),
            Self::Minimum => Ok(*range.start()),
            Self::Maximum => Ok(*range.end()),
            Self::Default => Ok(default),
            Self::Up | Self::Down => Err(ScpiError::with_info(-224, "UP and DOWN are not supported here")),
        }
    }
}

impl<'a> Param<'a> {
    /// The error number for data of this type where another type was wanted.
    fn refused(&self) -> ScpiError {
        ScpiError::new(match self {
            Self::Decimal { .. } | Self::NonDecimal(_) => -128,
            Self::Word(_) => -148,
            Self::Text(_) => -158,
            Self::Block(_) => -168,
            Self::Expression(_) => -178,
        })
    }

    /// A number in `unit` (empty: no suffix allowed) or one of the numeric keywords.
    ///
    /// # Errors
    /// −131 or −138 for a wrong suffix, −141 for another word, −1x8 for another type.
    pub fn numeric(&self, unit_name: &str) -> Result<Numeric, ScpiError> {
        match self {
            Self::Decimal { value, suffix } => match unit::power_of_ten(suffix, unit_name) {
                Some(power) => Ok(Numeric::Value(number::from_wire(unit::scale(*value, power)))),
                None if unit_name.is_empty() => Err(ScpiError::with_info(-138, *suffix)),
                None => Err(ScpiError::with_info(-131, *suffix)),
            },
            // Beyond 53 bits a double rounds; no numeric setting has that resolution.
            #[expect(clippy::cast_precision_loss, reason = "a double is what a numeric setting is")]
            Self::NonDecimal(value) => Ok(Numeric::Value(*value as f64)),
            Self::Word(word) => KEYWORDS
                .iter()
                .find(|(pattern, _)| is_keyword(pattern, word))
                .map(|(_, numeric)| *numeric)
                .ok_or_else(|| ScpiError::with_info(-141, *word)),
            other => Err(other.refused()),
        }
    }

    /// A plain number in `unit`; keywords are refused except `NAN` and the infinities.
    ///
    /// # Errors
    /// As [`Param::numeric`], and −148 for a keyword.
    pub fn number(&self, unit_name: &str) -> Result<f64, ScpiError> {
        match self.numeric(unit_name)? {
            Numeric::Value(value) => Ok(value),
            _ => Err(self.refused()),
        }
    }

    /// A number rounded to an integer within `range`.
    ///
    /// # Errors
    /// As [`Param::number`], and −222 outside the range.
    pub fn integer(&self, range: RangeInclusive<i64>) -> Result<i64, ScpiError> {
        let value = self.number("")?.round();
        #[expect(clippy::cast_possible_truncation, reason = "saturates, and the range check follows")]
        let rounded = value as i64;
        if value.is_nan() || !range.contains(&rounded) {
            let (from, to) = range.into_inner();
            return Err(ScpiError::out_of_range(format!("an integer from {from} to {to} is wanted")));
        }
        Ok(rounded)
    }

    /// `ON`, `OFF`, or a number, which is rounded: non-zero is on (SCPI-1999 7.3).
    ///
    /// # Errors
    /// −141 for another word, −138 for a suffix, −1x8 for another type.
    pub fn boolean(&self) -> Result<bool, ScpiError> {
        match self {
            Self::Word(word) if word.eq_ignore_ascii_case("ON") => Ok(true),
            Self::Word(word) if word.eq_ignore_ascii_case("OFF") => Ok(false),
            Self::Word(word) => Err(ScpiError::with_info(-141, *word)),
            other => other.number("").map(|value| value.round() != 0.0),
        }
    }

    /// Which of `patterns` (such as `["NORMal", "SWAPped"]`) the word is, by index.
    ///
    /// # Errors
    /// −224 for a word that is none of them, −1x8 for another type.
    pub fn choice(&self, patterns: &[&str]) -> Result<usize, ScpiError> {
        match self {
            Self::Word(word) => {
                patterns.iter().position(|pattern| is_keyword(pattern, word)).ok_or_else(|| {
                    ScpiError::with_info(-224, format!("{word} is none of {}", patterns.join("|")))
                })
            }
            other => Err(other.refused()),
        }
    }

    /// A string.
    ///
    /// # Errors
    /// −1x8 for another type.
    pub fn string(&self) -> Result<&str, ScpiError> {
        match self {
            Self::Text(text) => Ok(text),
            other => Err(other.refused()),
        }
    }

    /// A block's payload.
    ///
    /// # Errors
    /// −1x8 for another type.
    pub fn block(&self) -> Result<&'a [u8], ScpiError> {
        match self {
            Self::Block(bytes) => Ok(bytes),
            other => Err(other.refused()),
        }
    }

    /// The channels of a channel list, each within `allowed`.
    ///
    /// # Errors
    /// −171 when the expression is not a channel list, −222 for a channel that is not there, −1x8 for
    /// another type.
    pub fn channels(&self, allowed: RangeInclusive<u32>) -> Result<Vec<u32>, ScpiError> {
        match self {
            Self::Expression(text) => {
                let ranges = channel::parse(text)?;
                channel::channels(&ranges, allowed.clone()).ok_or_else(|| {
                    let (from, to) = allowed.into_inner();
                    ScpiError::out_of_range(format!("channels go from {from} to {to}"))
                })
            }
            other => Err(other.refused()),
        }
    }

    /// Reads a single parameter that is the whole of `text`.
    ///
    /// # Errors
    /// The parse error of the first rule broken; −103 when something follows the parameter.
    pub fn parse(text: &'a [u8]) -> Result<Self, ParseError> {
        let (param, end) = crate::lex::param(text, 0)?;
        let rest = crate::ascii::skip_white(text, end);
        if rest < text.len() {
            return Err(ParseError::new(Fault::Separator, rest, "the end of the parameter"));
        }
        Ok(param)
    }
}

const KEYWORDS: &[(&str, Numeric)] = &[
    ("MINimum", Numeric::Minimum),
    ("MAXimum", Numeric::Maximum),
    ("DEFault", Numeric::Default),
    ("UP", Numeric::Up),
    ("DOWN", Numeric::Down),
    ("NAN", Numeric::Value(f64::NAN)),
    ("INFinity", Numeric::Value(f64::INFINITY)),
    ("NINFinity", Numeric::Value(f64::NEG_INFINITY)),
];
