//! How a session behaves; the `[session]` table of a dialect.

use serde::{Deserialize, Serialize};

/// What ends a message that is sent. Answers may end in LF or CR LF whatever is set here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Terminator {
    /// Line feed, as IEEE 488.2 has it.
    #[default]
    Lf,
    /// Carriage return and line feed.
    Crlf,
}

impl Terminator {
    /// The bytes sent.
    pub fn bytes(self) -> &'static [u8] {
        match self {
            Terminator::Lf => b"\n",
            Terminator::Crlf => b"\r\n",
        }
    }
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
    /// Clears status and error queue.
    pub clear: String,
    /// Asks the SCPI version; empty where it is not understood.
    pub version: String,
    /// Takes the next error off the queue; empty where there is none.
    pub next_error: String,
}

impl Default for SessionSettings {
    fn default() -> Self {
        SessionSettings {
            terminator: Terminator::Lf,
            timeout_ms: 1000,
            error_check: ErrorCheck::Group,
            resync: Resync::Nonce,
            quiet_ms: 100,
            bytes_per_s: None,
            identify: "*IDN?".to_string(),
            clear: "*CLS".to_string(),
            version: "SYST:VERS?".to_string(),
            next_error: "SYST:ERR?".to_string(),
        }
    }
}
