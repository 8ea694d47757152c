//! What can go wrong on the wire: a parse error says what, at which byte, and what was expected; a SCPI error
//! is an entry of the error queue.

use crate::standard::standard_text;

/// What kind of rule a message broke. Each kind has its standard error number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// −101.
    #[error("invalid character")]
    InvalidCharacter,
    /// −102.
    #[error("syntax error")]
    Syntax,
    /// −103.
    #[error("invalid separator")]
    Separator,
    /// −104.
    #[error("data type error")]
    DataType,
    /// −109.
    #[error("missing parameter")]
    Missing,
    /// −111.
    #[error("header separator error")]
    HeaderSeparator,
    /// −112.
    #[error("program mnemonic too long")]
    MnemonicTooLong,
    /// −121.
    #[error("invalid character in number")]
    NumberCharacter,
    /// −123.
    #[error("exponent too large")]
    ExponentTooLarge,
    /// −124.
    #[error("too many digits")]
    TooManyDigits,
    /// −131.
    #[error("invalid suffix")]
    Suffix,
    /// −134.
    #[error("suffix too long")]
    SuffixTooLong,
    /// −138.
    #[error("suffix not allowed")]
    SuffixNotAllowed,
    /// −141.
    #[error("invalid character data")]
    CharacterData,
    /// −144.
    #[error("character data too long")]
    CharacterDataTooLong,
    /// −151.
    #[error("invalid string data")]
    StringData,
    /// −161.
    #[error("invalid block data")]
    BlockData,
    /// −171.
    #[error("invalid expression")]
    Expression,
}

impl Fault {
    /// The standard error number.
    #[must_use]
    pub fn number(self) -> i16 {
        match self {
            Self::InvalidCharacter => -101,
            Self::Syntax => -102,
            Self::Separator => -103,
            Self::DataType => -104,
            Self::Missing => -109,
            Self::HeaderSeparator => -111,
            Self::MnemonicTooLong => -112,
            Self::NumberCharacter => -121,
            Self::ExponentTooLarge => -123,
            Self::TooManyDigits => -124,
            Self::Suffix => -131,
            Self::SuffixTooLong => -134,
            Self::SuffixNotAllowed => -138,
            Self::CharacterData => -141,
            Self::CharacterDataTooLong => -144,
            Self::StringData => -151,
            Self::BlockData => -161,
            Self::Expression => -171,
        }
    }
}

/// A message, or a piece of one, that breaks the grammar.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{fault} at byte {offset}: expected {expected}")]
pub struct ParseError {
    /// Which rule was broken.
    #[source]
    pub fault: Fault,
    /// Bytes from the start of the text that was parsed.
    pub offset: usize,
    /// What would have been right there.
    pub expected: &'static str,
}

impl ParseError {
    pub(crate) fn new(fault: Fault, offset: usize, expected: &'static str) -> Self {
        Self { fault, offset, expected }
    }

    /// The same error, seen from a text that starts `bytes` earlier.
    #[must_use]
    pub fn shifted(mut self, bytes: usize) -> Self {
        self.offset = self.offset.saturating_add(bytes);
        self
    }
}

/// An entry of the error queue: a standard or device number and device-dependent information.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}", describe(*.number, .info.as_deref()))]
pub struct ScpiError {
    /// Negative: standard (SCPI-1999 21.8). Positive: the device's own.
    pub number: i16,
    /// Device-dependent information after the text.
    pub info: Option<String>,
}

impl ScpiError {
    /// An error with the standard text alone.
    #[must_use]
    pub fn new(number: i16) -> Self {
        Self { number, info: None }
    }

    /// An error with device-dependent information.
    #[must_use]
    pub fn with_info(number: i16, info: impl Into<String>) -> Self {
        Self { number, info: Some(info.into()) }
    }

    /// −222 with what was out of range.
    #[must_use]
    pub fn out_of_range(info: impl Into<String>) -> Self {
        Self::with_info(-222, info)
    }

    /// −221 with what conflicts.
    #[must_use]
    pub fn settings_conflict(info: impl Into<String>) -> Self {
        Self::with_info(-221, info)
    }

    /// The entry as `SYSTem:ERRor?` answers it: `n,"text[;info]"`, the string at most 255 characters
    /// (limit from memory), printable ASCII only.
    #[must_use]
    pub fn to_wire(&self) -> String {
        let text = standard_text(self.number).unwrap_or("Device-specific error");
        let mut inner = String::from(text);
        if let Some(info) = &self.info {
            inner.push(';');
            inner.extend(info.chars().map(|c| if (' '..='~').contains(&c) { c } else { '.' }));
        }
        let inner: String = inner.chars().take(255).collect();
        format!("{},\"{}\"", self.number, inner.replace('"', "\"\""))
    }
}

impl From<ParseError> for ScpiError {
    fn from(error: ParseError) -> Self {
        let info = format!("byte {}: expected {}", error.offset, error.expected);
        Self { number: error.fault.number(), info: Some(info) }
    }
}

fn describe(number: i16, info: Option<&str>) -> String {
    let text = standard_text(number).unwrap_or("Device-specific error");
    match info {
        Some(info) => format!("SCPI error {number}, {text}: {info}"),
        None => format!("SCPI error {number}, {text}"),
    }
}
