//! A complete answer, and strict readings of it.

use crate::error::{Context, Fault, InstrumentError};
use crate::form::{AnswerForm, Said};
use crate::settings::Decimal;

/// One complete answer without its terminator, knowing who gave it to which question.
#[derive(Debug, Clone)]
pub struct Answer {
    bytes: Vec<u8>,
    context: Context,
}

/// The four fields of an `*IDN?` answer (IEEE 488.2, 10.14).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// Who made it.
    pub manufacturer: String,
    /// Which model it is.
    pub model: String,
    /// Serial number, `0` where it has none.
    pub serial: String,
    /// Firmware level, `0` where it has none.
    pub firmware: String,
}

impl Identity {
    /// The fields as they came, with commas between them.
    pub fn text(&self) -> String {
        [&self.manufacturer, &self.model, &self.serial, &self.firmware].map(String::as_str).join(",")
    }
}

impl Answer {
    pub(crate) fn new(bytes: Vec<u8>, context: Context) -> Answer {
        Answer { bytes, context }
    }

    /// The same without what its dialect says stands around the value.
    pub(crate) fn number_by(&self, form: &AnswerForm) -> Result<f64, InstrumentError> {
        let text = form.number(self.text()?).map_err(|expected| self.malformed(&expected))?;
        Answer::new(text.into_bytes(), self.context.clone()).number().map_err(|error| self.whole(error))
    }

    /// The answer as a state, in its dialect's words.
    pub(crate) fn state_by(&self, form: &AnswerForm) -> Result<bool, InstrumentError> {
        let value = form.value(self.text()?).map_err(|expected| self.malformed(&expected))?;
        match form.said(&value) {
            Said::State(state) => Ok(state),
            Said::Neither(words) => Err(self.malformed(&words)),
            Said::Usual => Answer::new(value.into_bytes(), self.context.clone())
                .state()
                .map_err(|error| self.whole(error)),
            Said::Bit(bit) => {
                let register = self.number_by(form)?;
                if register.fract() != 0.0 || !(0.0..=65_535.0).contains(&register) {
                    return Err(self.malformed("a register, 0 to 65535"));
                }
                Ok((register / 2f64.powi(i32::try_from(bit).unwrap_or(0))).floor() % 2.0 == 1.0)
            }
        }
    }

    /// The answer as a word, without what stands around it.
    pub(crate) fn word_by(&self, form: &AnswerForm) -> Result<String, InstrumentError> {
        form.value(self.text()?).map_err(|expected| self.malformed(&expected))
    }

    /// An error about a part of the answer, told with all of it.
    fn whole(&self, error: InstrumentError) -> InstrumentError {
        match *error.fault {
            Fault::Malformed { expected, .. } => self.malformed(&expected),
            _ => error,
        }
    }

    /// Numbers in a list, which must be the whole answer.
    pub(crate) fn numbers(
        &self,
        separator: &str,
        decimal: Decimal,
        expected: usize,
    ) -> Result<Vec<f64>, InstrumentError> {
        let text = std::str::from_utf8(&self.bytes)
            .map_err(|_| self.context.fault(Fault::NotText(escaped(&self.bytes))))?;
        let mut numbers = Vec::with_capacity(expected);
        for (index, piece) in text.trim().split(separator).enumerate() {
            let piece = piece.trim();
            let piece =
                if decimal == Decimal::Comma { piece.replacen(',', ".", 1) } else { piece.to_string() };
            match wattproof_scpi::number::parse_decimal(piece.as_bytes()) {
                Ok((value, used)) if used == piece.len() => numbers.push(value),
                _ => {
                    let answer = piece.escape_default().to_string();
                    let expected = format!("number {} of a list", index + 1);
                    return Err(self.context.fault(Fault::Malformed { answer, expected }));
                }
            }
        }
        if numbers.len() == expected {
            return Ok(numbers);
        }
        Err(self.context.fault(Fault::ListLength { expected, found: numbers.len() }))
    }

    /// The bytes, as they came.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// A read-back that differs from what was set.
    pub(crate) fn not_taken(&self, wanted: String, found: String) -> InstrumentError {
        self.context.fault(Fault::NotTaken { wanted, found })
    }

    pub(crate) fn malformed(&self, expected: &str) -> InstrumentError {
        let answer = escaped(&self.bytes);
        self.context.fault(Fault::Malformed { answer, expected: expected.to_string() })
    }

    /// The answer as text, without white space around it.
    ///
    /// # Errors
    /// `NotText` when a byte is neither printable ASCII nor a tab.
    pub fn text(&self) -> Result<&str, InstrumentError> {
        let printable = |b: &u8| matches!(b, b' '..=b'~' | b'\t');
        let refuse = || self.context.fault(Fault::NotText(escaped(&self.bytes)));
        let trimmed = self.bytes.trim_ascii();
        if !trimmed.iter().all(printable) {
            return Err(refuse());
        }
        std::str::from_utf8(trimmed).map_err(|_| refuse())
    }

    /// The answer as one decimal number: NR1, NR2 or NR3 (IEEE 488.2, 8.7), nothing before or after it.
    ///
    /// # Errors
    /// `NotANumber` for NaN, infinities and the SCPI-1999 codes for them; `Malformed` for anything else,
    /// such as a decimal comma, a unit, a blank.
    pub fn number(&self) -> Result<f64, InstrumentError> {
        let text = self.text()?;
        let not_a_number = || self.context.fault(Fault::NotANumber(text.to_string()));
        let words = ["NAN", "INF", "+INF", "-INF", "NINF", "INFINITY", "-INFINITY"];
        if words.iter().any(|word| text.eq_ignore_ascii_case(word)) {
            return Err(not_a_number());
        }
        let (value, used) = wattproof_scpi::number::parse_decimal(text.as_bytes())
            .map_err(|_| self.malformed("one decimal number"))?;
        if used != text.len() {
            return Err(self.malformed("one decimal number and nothing after it"));
        }
        // SCPI-1999 volume 1, 7.2.1: 9.91E37 stands for not a number, ±9.9E37 for the infinities. Written
        // so that a NaN fails too.
        if value.abs() < 9.9e37 { Ok(value) } else { Err(not_a_number()) }
    }

    /// The answer as a state: `1`, `0`, `ON` or `OFF`.
    ///
    /// # Errors
    /// `Malformed` for anything else.
    pub fn state(&self) -> Result<bool, InstrumentError> {
        let text = self.text()?;
        if text.eq_ignore_ascii_case("ON") {
            return Ok(true);
        }
        if text.eq_ignore_ascii_case("OFF") {
            return Ok(false);
        }
        match self.number() {
            Ok(1.0) => Ok(true),
            Ok(0.0) => Ok(false),
            _ => Err(self.malformed("1 or 0")),
        }
    }

    /// The answer as an identity.
    ///
    /// # Errors
    /// `Malformed` when there are fewer than four fields.
    pub fn identity(&self) -> Result<Identity, InstrumentError> {
        let text = self.text()?;
        let mut fields = text.splitn(4, ',').map(|field| field.trim().to_string());
        match (fields.next(), fields.next(), fields.next(), fields.next()) {
            (Some(manufacturer), Some(model), Some(serial), Some(firmware)) => {
                Ok(Identity { manufacturer, model, serial, firmware })
            }
            _ => Err(self.malformed("maker, model, serial number and firmware")),
        }
    }

    /// The answer as an identity of which only a text is known.
    ///
    /// # Errors
    /// `Malformed` when it is empty; `NotText`.
    pub fn identity_text(&self) -> Result<Identity, InstrumentError> {
        let model = self.text()?.to_string();
        if model.is_empty() {
            return Err(self.malformed("some text that tells who it is"));
        }
        let unknown = || "0".to_string();
        Ok(Identity { manufacturer: unknown(), model, serial: unknown(), firmware: unknown() })
    }

    /// The answer as an entry of the error queue: a number, a comma, a quoted text.
    ///
    /// # Errors
    /// `Malformed` for anything else.
    pub fn queued_error(&self) -> Result<(i32, String), InstrumentError> {
        let text = self.text()?;
        let expected = "an error number and a quoted text";
        let (number, words) = text.split_once(',').unwrap_or((text, "\"\""));
        let number = number.trim().parse::<i32>().map_err(|_| self.malformed(expected))?;
        let words = words.trim();
        let quoted = words.strip_prefix('"').and_then(|rest| rest.strip_suffix('"'));
        let words = quoted.ok_or_else(|| self.malformed(expected))?;
        Ok((number, words.replace("\"\"", "\"")))
    }

    /// The payload of an indefinite block (IEEE 488.2, 8.7.10), which must be the whole answer.
    ///
    /// # Errors
    /// `Malformed` when it is something else.
    pub fn into_indefinite_block(self) -> Result<Vec<u8>, InstrumentError> {
        if !self.bytes.starts_with(b"#0") {
            return Err(self.malformed("one indefinite block"));
        }
        let mut bytes = self.bytes;
        bytes.drain(..2);
        Ok(bytes)
    }

    /// The payload of a definite block (IEEE 488.2, 8.7.9), which must be the whole answer.
    ///
    /// # Errors
    /// `Malformed` when it is something else.
    pub fn into_block(self) -> Result<Vec<u8>, InstrumentError> {
        let definite = matches!(self.bytes.get(1), Some(b'1'..=b'9'));
        let closed = |end| self.bytes.get(end..).is_some_and(|rest| rest.trim_ascii().is_empty());
        match wattproof_scpi::block::payload(&self.bytes) {
            Ok((first, end)) if definite && closed(end) => {
                let mut bytes = self.bytes;
                bytes.truncate(end);
                bytes.drain(..first);
                Ok(bytes)
            }
            _ => Err(self.malformed("one definite block")),
        }
    }
}

/// Longest answer shown in an error, bytes.
const SHOWN_BYTES: usize = 120;

/// Bytes made printable, cut when long.
pub(crate) fn escaped(bytes: &[u8]) -> String {
    match bytes.get(..SHOWN_BYTES) {
        Some(head) if bytes.len() > SHOWN_BYTES => {
            format!("{}… ({} bytes)", head.escape_ascii(), bytes.len())
        }
        _ => bytes.escape_ascii().to_string(),
    }
}
