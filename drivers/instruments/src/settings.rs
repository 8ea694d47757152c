//! How a session behaves; the `[session]` table of a dialect.

use serde::{Deserialize, Serialize};

/// What ends a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Terminator {
    /// Line feed, as IEEE 488.2 has it.
    #[default]
    Lf,
    /// Carriage return and line feed.
    Crlf,
    /// Carriage return.
    Cr,
}

impl Terminator {
    /// Its bytes.
    pub fn bytes(self) -> &'static [u8] {
        match self {
            Terminator::Lf => b"\n",
            Terminator::Crlf => b"\r\n",
            Terminator::Cr => b"\r",
        }
    }
}

/// What an instrument does with the bytes it is sent, beside obeying.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Echo {
    /// Nothing comes back.
    #[default]
    None,
    /// Each byte comes back, those of the line's end too.
    Bytes,
    /// Each line comes back as a line of its own, before its answer.
    Line,
}

/// What stands before the decimals of a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Decimal {
    /// A point, as in all of SCPI.
    #[default]
    Point,
    /// A comma.
    Comma,
}

/// What an instrument answers when it is asked who it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum IdentityForm {
    /// Maker, model, serial number and firmware, with commas between them (IEEE 488.2, 10.14).
    #[default]
    Fields,
    /// Any text, which then stands for the model.
    Text,
}

/// When the error queue is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ErrorCheck {
    /// After every message.
    Each,
    /// After every operation, which may take several messages.
    #[default]
    Group,
    /// Only when asked.
    Never,
}

/// How a session that lost step finds back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Resync {
    /// Silence, then a number written to the event enable register (`*ESE`) must come back.
    #[default]
    Nonce,
    /// Silence alone. For an instrument without `*ESE`: a late enough answer can still be taken for the next.
    Drain,
}

/// How a session behaves.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SessionSettings {
    /// What ends a message that is sent.
    pub terminator: Terminator,
    /// What ends an answer; with `lf`, a carriage return before the line feed does no harm.
    pub answer_end: Terminator,
    /// Whether what is sent comes back.
    pub echo: Echo,
    /// Whether `;` may join messages in one line.
    pub chaining: bool,
    /// Whether a question may stand in such a line.
    pub query_chaining: bool,
    /// Least time between two messages, and between an answer and the next message, ms.
    pub gap_ms: u64,
    /// Least time between two bytes sent, ms, for a parser slower than its line.
    pub byte_ms: f64,
    /// How numbers are written in messages.
    pub decimal: Decimal,
    /// Time for a whole exchange, ms.
    pub timeout_ms: u64,
    /// When the error queue is read.
    pub error_check: ErrorCheck,
    /// How lost step is found again.
    pub resync: Resync,
    /// Silence that counts as quiet, ms.
    pub quiet_ms: u64,
    /// Slowest rate at which a sample block may come, bytes/s; sets the time allowed for it. None follows the
    /// baud rate of a serial port, and is 900 (9600 baud) elsewhere.
    pub bytes_per_s: Option<f64>,
    /// Asks who it is.
    pub identify: String,
    /// What it answers to that.
    pub identity: IdentityForm,
    /// Clears status and error queue; empty where it is not understood.
    pub clear: String,
    /// Reads and clears the event status register; empty where there is none.
    pub events: String,
    /// Asks the SCPI version; empty where it is not understood.
    pub version: String,
    /// Takes the next error off the queue; empty where there is none.
    pub next_error: String,
}

impl Default for SessionSettings {
    fn default() -> Self {
        SessionSettings {
            terminator: Terminator::Lf,
            answer_end: Terminator::Lf,
            echo: Echo::None,
            chaining: true,
            query_chaining: true,
            gap_ms: 0,
            byte_ms: 0.0,
            decimal: Decimal::Point,
            timeout_ms: 1000,
            error_check: ErrorCheck::Group,
            resync: Resync::Nonce,
            quiet_ms: 100,
            bytes_per_s: None,
            identify: "*IDN?".to_string(),
            identity: IdentityForm::Fields,
            clear: "*CLS".to_string(),
            events: "*ESR?".to_string(),
            version: "SYST:VERS?".to_string(),
            next_error: "SYST:ERR?".to_string(),
        }
    }
}

impl SessionSettings {
    /// What is wrong with the settings, by name, if anything.
    pub(crate) fn complaint(&self) -> Option<(&'static str, String)> {
        if self.timeout_ms == 0 {
            return Some(("timeout_ms", "timeout_ms = 0: an answer takes some time, write 1000".to_string()));
        }
        if !(self.byte_ms.is_finite() && (0.0..=1000.0).contains(&self.byte_ms)) {
            let words = format!("byte_ms = {}: write the time between two bytes, 0 to 1000", self.byte_ms);
            return Some(("byte_ms", words));
        }
        if self.gap_ms > 60_000 {
            return Some(("gap_ms", format!("gap_ms = {}: write at most 60000", self.gap_ms)));
        }
        if self.bytes_per_s.is_some_and(|rate| !(rate.is_finite() && rate > 0.0)) {
            return Some(("bytes_per_s", "bytes_per_s must be above 0".to_string()));
        }
        if self.identify.trim().is_empty() {
            return Some(("identify", "identify is empty: nothing would tell who is there".to_string()));
        }
        if self.error_check != ErrorCheck::Never && self.next_error.is_empty() {
            let words = "without next_error there is no queue to read: write error_check = \"never\"";
            return Some(("error_check", words.to_string()));
        }
        let told = [
            ("identify", &self.identify),
            ("clear", &self.clear),
            ("events", &self.events),
            ("version", &self.version),
            ("next_error", &self.next_error),
        ];
        told.into_iter().find_map(|(name, message)| {
            let words = if message.is_empty() { None } else { self.unfit(message) };
            words.map(|words| (name, words))
        })
    }

    /// Why a message cannot be sent in this session, if it cannot.
    pub(crate) fn unfit(&self, message: &str) -> Option<String> {
        if message.trim().is_empty() {
            return Some("an empty message".to_string());
        }
        if let Some(bad) = message.chars().find(|c| !matches!(c, ' '..='~')) {
            let shown = message.escape_debug();
            return Some(format!("`{shown}` holds {bad:?}: a message is one line of printable ASCII"));
        }
        if message.contains(';') && !self.chaining {
            return Some(format!(
                "`{message}` joins messages, but [session] has chaining = false: write a list of messages"
            ));
        }
        if message.contains(';') && message.contains('?') && !(self.chaining && self.query_chaining) {
            return Some(format!(
                "`{message}` joins a question to others, but [session] has query_chaining = false"
            ));
        }
        None
    }
}
