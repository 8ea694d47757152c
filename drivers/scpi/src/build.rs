//! The controller end's output: builds one program message (IEEE 488.2 7).

use crate::ascii::is_word;
use crate::{block, channel, mnemonic::MNEMONIC_MAX, number, unit::SUFFIX_MAX};

/// A message that cannot be sent.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BuildError {
    /// The header is not made of mnemonics.
    #[error("header `{header}`, byte {offset}: expected mnemonics of at most 12 characters joined by `:`")]
    Header {
        /// The header.
        header: String,
        /// The first byte that does not fit.
        offset: usize,
    },
    /// A parameter came before any header.
    #[error("a parameter was given before any command; start with a header")]
    NoHeader,
    /// A word, suffix or string with characters that its type cannot carry.
    #[error(
        "parameter `{text}` of `{header}` cannot be sent as {expected}; correct it in the dialect or script"
    )]
    Parameter {
        /// The header.
        header: String,
        /// The parameter.
        text: String,
        /// What it should have been.
        expected: &'static str,
    },
    /// A block beyond the nine-digit length.
    #[error("a block of {length_bytes} bytes cannot be sent; 999999999 is the most")]
    Block {
        /// Its length.
        length_bytes: usize,
    },
}

/// A program message under construction. The first mistake is kept and given back by [`MessageBuilder::finish`],
/// so calls can be chained.
#[derive(Debug, Clone, Default)]
pub struct MessageBuilder {
    bytes: Vec<u8>,
    header: String,
    params: usize,
    error: Option<BuildError>,
}

impl MessageBuilder {
    /// An empty message.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Starts a command; `header` counts from the root.
    #[must_use]
    pub fn command(mut self, header: &str) -> Self {
        self.start(header, "");
        self
    }

    /// Starts a query; `header` counts from the root and has no `?`.
    #[must_use]
    pub fn query(mut self, header: &str) -> Self {
        self.start(header, "?");
        self
    }

    fn start(&mut self, header: &str, mark: &str) {
        let header = header.strip_prefix(':').unwrap_or(header);
        if let Some(offset) = header_fault(header) {
            self.fail(BuildError::Header { header: header.to_owned(), offset });
        }
        if !self.bytes.is_empty() {
            // Every header counts from the root, whatever came before it.
            self.bytes.extend_from_slice(if header.starts_with('*') { b";" } else { b";:" });
        }
        self.bytes.extend_from_slice(header.as_bytes());
        self.bytes.extend_from_slice(mark.as_bytes());
        self.header = header.to_owned();
        self.params = 0;
    }

    fn fail(&mut self, error: BuildError) {
        self.error.get_or_insert(error);
    }

    fn param(mut self, text: &str) -> Self {
        self.separate();
        self.bytes.extend_from_slice(text.as_bytes());
        self
    }

    fn separate(&mut self) {
        if self.header.is_empty() {
            self.fail(BuildError::NoHeader);
        }
        self.bytes.push(if self.params == 0 { b' ' } else { b',' });
        self.params += 1;
    }

    /// A number; NaN and infinities go out as SCPI's words.
    #[must_use]
    pub fn number(self, value: f64) -> Self {
        let text = if value.is_nan() {
            "NAN".to_owned()
        } else if value.is_infinite() {
            if value > 0.0 { "INF".to_owned() } else { "NINF".to_owned() }
        } else {
            number::format_nr3(value)
        };
        self.param(&text)
    }

    /// A number with a suffix such as `V` or `KHZ`.
    #[must_use]
    pub fn number_with(mut self, value: f64, suffix: &str) -> Self {
        let good = suffix.len() <= SUFFIX_MAX
            && suffix.starts_with(|c: char| c.is_ascii_alphabetic())
            && suffix.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'/' | b'.' | b'-'));
        if !good || !value.is_finite() {
            let text = format!("{value} {suffix}");
            self.fail(BuildError::Parameter {
                header: self.header.clone(),
                text,
                expected: "number and suffix",
            });
        }
        let text = format!("{} {suffix}", number::format_nr3(value));
        self.param(&text)
    }

    /// An integer.
    #[must_use]
    pub fn integer(self, value: i64) -> Self {
        self.param(&number::format_nr1(value))
    }

    /// ON or OFF.
    #[must_use]
    pub fn boolean(self, value: bool) -> Self {
        self.param(if value { "ON" } else { "OFF" })
    }

    /// Character data.
    #[must_use]
    pub fn word(mut self, word: &str) -> Self {
        let good = word.len() <= MNEMONIC_MAX
            && word.starts_with(|c: char| c.is_ascii_alphabetic())
            && word.bytes().all(is_word);
        if !good {
            let text = word.to_owned();
            self.fail(BuildError::Parameter {
                header: self.header.clone(),
                text,
                expected: "character data",
            });
        }
        self.param(word)
    }

    /// A string.
    #[must_use]
    pub fn string(mut self, text: &str) -> Self {
        if !text.is_ascii() {
            let text = text.to_owned();
            self.fail(BuildError::Parameter {
                header: self.header.clone(),
                text,
                expected: "7-bit ASCII text",
            });
        }
        let quoted = format!("\"{}\"", text.replace('"', "\"\""));
        self.param(&quoted)
    }

    /// A definite block.
    #[must_use]
    pub fn block(mut self, payload: &[u8]) -> Self {
        self.separate();
        match block::header(payload.len()) {
            Some(header) => {
                self.bytes.reserve(header.len() + payload.len() + 1);
                self.bytes.extend_from_slice(header.as_bytes());
                self.bytes.extend_from_slice(payload);
            }
            None => self.fail(BuildError::Block { length_bytes: payload.len() }),
        }
        self
    }

    /// A channel list.
    #[must_use]
    pub fn channels(self, channels: &[u32]) -> Self {
        self.param(&channel::format(channels))
    }

    /// The message, NL included.
    ///
    /// # Errors
    /// The first mistake made on the way.
    pub fn finish(mut self) -> Result<Vec<u8>, BuildError> {
        if let Some(error) = self.error {
            return Err(error);
        }
        self.bytes.push(b'\n');
        Ok(self.bytes)
    }
}

/// The first byte at which `header` stops being mnemonics joined by colons.
fn header_fault(header: &str) -> Option<usize> {
    let bare = header.strip_prefix('*').unwrap_or(header);
    let mut offset = header.len() - bare.len();
    for (i, word) in bare.split(':').enumerate() {
        let stem = word.trim_end_matches(|c: char| c.is_ascii_digit());
        let letter = word.starts_with(|c: char| c.is_ascii_alphabetic());
        let common_path = i > 0 && header.starts_with('*');
        if !letter || stem.len() > MNEMONIC_MAX || common_path {
            return Some(offset);
        }
        if let Some(bad) = word.bytes().position(|b| !is_word(b)) {
            return Some(offset + bad);
        }
        offset += word.len() + 1;
    }
    None
}
