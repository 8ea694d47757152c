//! What can go wrong with an instrument: who, where, asked what, and what to do next.

use wattproof_link::LinkError;

/// An entry of an instrument's error queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct QueuedError {
    /// Negative: standard (SCPI-1999 volume 2, 21.8). Positive: the instrument's own.
    pub number: i32,
    /// The instrument's words.
    pub text: String,
}

/// A failed exchange with one instrument.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{instrument} on {port}: {fault}{}; {}", sent(.message), .fault.remedy())]
pub struct InstrumentError {
    /// The name the bench file gives it.
    pub instrument: String,
    /// Port path or TCP address.
    pub port: String,
    /// The message sent last, empty when none was.
    pub message: String,
    /// What went wrong.
    #[source]
    pub fault: Box<Fault>,
}

fn sent(message: &str) -> String {
    if message.is_empty() { String::new() } else { format!(" (sent `{message}`)") }
}

/// What went wrong, apart from who and where.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Fault {
    /// The link failed.
    #[error("{cause}{}", partial_words(.partial))]
    Link {
        /// The link's own words.
        cause: LinkError,
        /// Escaped bytes that did arrive before it failed.
        partial: String,
    },
    /// The instrument's error queue was not empty.
    #[error("it reports {}", reported_words(.0))]
    Reported(Vec<QueuedError>),
    /// Bytes that no SCPI text answer holds.
    #[error("it answered bytes that are not text: \"{0}\"")]
    NotText(String),
    /// An answer of the wrong form.
    #[error("it answered \"{answer}\" where {expected} was expected")]
    Malformed {
        /// The answer, escaped.
        answer: String,
        /// What would have been right.
        expected: String,
    },
    /// NaN, infinity, or the codes for them in SCPI-1999 (9.91E37, 9.9E37, −9.9E37).
    #[error("it answered \"{0}\", which is not a number")]
    NotANumber(String),
    /// More came than was asked for.
    #[error("it sent more than one answer: \"{0}\" was left over")]
    Surplus(String),
    /// The answer is the question.
    #[error("it sends back what it is sent (echo)")]
    Echo,
    /// The echo is not what was sent.
    #[error("it sends back \"{came}\", which is not what it was sent")]
    EchoDiffers {
        /// What came, escaped.
        came: String,
    },
    /// A list of another length.
    #[error("its list holds {found} numbers where {expected} were expected")]
    ListLength {
        /// Numbers asked for.
        expected: usize,
        /// Numbers that came.
        found: usize,
    },
    /// A value outside what the dialect allows: nothing was sent.
    #[error("nothing was sent: {0}")]
    OutOfRange(String),
    /// An operation that did not complete in time.
    #[error("it was not complete within {waited_ms} ms")]
    NotComplete {
        /// How long it was waited for, ms.
        waited_ms: u128,
    },
    /// An answer that does not end.
    #[error("its answer passed {limit_bytes} bytes without an end")]
    TooLong {
        /// The limit, bytes.
        limit_bytes: usize,
    },
    /// A setting that did not take.
    #[error("it was set to {wanted} and reads back {found}")]
    NotTaken {
        /// What was set.
        wanted: String,
        /// What the read-back says.
        found: String,
    },
    /// Resynchronising failed, so that no answer can be trusted.
    #[error("it does not get back into step: {0}")]
    OutOfStep(String),
    /// A sample block of the wrong size.
    #[error("its block holds {found_bytes} bytes where {expected_bytes} were expected")]
    BlockSize {
        /// Bytes of samples asked for.
        expected_bytes: usize,
        /// Bytes of samples that came.
        found_bytes: usize,
    },
    /// A request that cannot be put into a message.
    #[error("the request is refused: {0}")]
    BadRequest(String),
    /// The dialect has no such operation.
    #[error("its dialect `{dialect}` has no operation `{operation}`")]
    Unsupported {
        /// Name of the dialect.
        dialect: String,
        /// Name of the operation.
        operation: String,
    },
    /// The dialect is for another role.
    #[error("its dialect `{dialect}` is for a {is}, not for a {wanted}")]
    WrongRole {
        /// Name of the dialect.
        dialect: String,
        /// Its role.
        is: String,
        /// The role asked for.
        wanted: String,
    },
}

fn partial_words(partial: &str) -> String {
    if partial.is_empty() { String::new() } else { format!(" (only \"{partial}\" had come)") }
}

fn reported_words(errors: &[QueuedError]) -> String {
    let words: Vec<String> = errors.iter().map(|e| format!("{} \"{}\"", e.number, e.text)).collect();
    words.join(", ")
}

impl Fault {
    /// What to do next.
    pub fn remedy(&self) -> &'static str {
        match self {
            Fault::Link { cause: LinkError::Refused, .. } => "see what tripped",
            // The link's own text ends with its remedy; this adds what only the instrument side knows.
            Fault::Link { .. } => "check also that the dialect's terminator and messages suit it",
            Fault::Reported(_) => "look the number up in its manual and check the setting or the dialect",
            Fault::NotText(_) => "check baud rate, parity and data bits on both ends",
            Fault::Malformed { .. } => "check the dialect's message against its manual",
            Fault::NotANumber(_) => "check that it is in range, connected and not in overload",
            Fault::Surplus(_) | Fault::OutOfStep(_) => {
                "check that nothing else talks to it; switch it off and on if this stays"
            }
            Fault::Echo => {
                "switch echo off in its interface menu, or write echo into its dialect's [session]"
            }
            Fault::EchoDiffers { .. } => {
                "check baud rate and flow control, and whether it needs more time between bytes (byte_ms)"
            }
            Fault::OutOfRange(_) => {
                "use a value in range, or correct min, max and step in the dialect where the instrument takes it"
            }
            Fault::NotComplete { .. } => "see what it is busy with, or raise timeout_ms in its dialect",
            Fault::TooLong { .. } => "check the dialect's terminator and the baud rate",
            Fault::NotTaken { .. } => {
                "check that the value is within its range and that it is in remote state"
            }
            Fault::BlockSize { .. } | Fault::ListLength { .. } => {
                "set the number of points again, and check the sample format of the dialect"
            }
            Fault::BadRequest(_) => "correct the value",
            Fault::Unsupported { .. } => "add the operation to the dialect file, or use another instrument",
            Fault::WrongRole { .. } => "name a dialect of the right role in the bench file",
        }
    }
}

impl InstrumentError {
    /// The number of the first error the instrument reported, if it reported one.
    pub fn number(&self) -> Option<i32> {
        match &*self.fault {
            Fault::Reported(errors) => errors.first().map(|e| e.number),
            _ => None,
        }
    }

    /// What went wrong, without who and where.
    pub fn text(&self) -> String {
        self.fault.to_string()
    }

    /// What to do next.
    pub fn remedy(&self) -> &'static str {
        self.fault.remedy()
    }

    /// The failure of the link below, if that is what it was.
    pub fn link(&self) -> Option<&LinkError> {
        match &*self.fault {
            Fault::Link { cause, .. } => Some(cause),
            _ => None,
        }
    }
}

/// Who was asked what, to be joined with a fault.
#[derive(Debug, Clone)]
pub(crate) struct Context {
    pub(crate) instrument: String,
    pub(crate) port: String,
    pub(crate) message: String,
}

impl Context {
    pub(crate) fn fault(&self, fault: Fault) -> InstrumentError {
        InstrumentError {
            instrument: self.instrument.clone(),
            port: self.port.clone(),
            message: self.message.clone(),
            fault: Box::new(fault),
        }
    }
}
