//! Why the daemon gave no answer that can be used.

use std::path::PathBuf;
use std::time::Duration;

use serde::Deserialize;

use super::which::NoSuchBench;
use crate::failure::Failure;

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// Nobody listens on the socket.
    #[error("no daemon answers on {path} ({source}); `wattproof serve --bench FILE` starts one")]
    Nobody {
        /// The socket.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Somebody listens and does not answer.
    #[error(
        "the daemon on {path} did not answer within {} s: it hangs or is very busy; look at its log", within.as_secs()
    )]
    Slow {
        /// The socket.
        path: PathBuf,
        /// How long was waited.
        within: Duration,
    },
    /// The connection ended before the answer did.
    #[error("the daemon on {path} broke off: {what}; look whether it still runs")]
    Broken {
        /// The socket.
        path: PathBuf,
        /// How.
        what: String,
    },
    /// It refuses.
    #[error("{0}")]
    Refused(Problem),
    /// It holds no such bench.
    #[error("{0}")]
    NoSuchBench(NoSuchBench),
    /// It answers what is not understood.
    #[error(
        "the daemon's answer to {asked} is not understood ({what}): daemon and command line are of different versions; restart the daemon"
    )]
    Odd {
        /// What was asked.
        asked: String,
        /// Why.
        what: String,
    },
}

/// A refusal (RFC 9457) with what to do next.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, thiserror::Error)]
#[error("{detail}; {next}")]
pub struct Problem {
    /// The HTTP status.
    #[serde(default)]
    pub status: u16,
    /// What happened.
    pub detail: String,
    /// What to do next.
    #[serde(default = "look")]
    pub next: String,
}

fn look() -> String {
    "look at the daemon's log".into()
}

impl AskError {
    /// Whether no daemon is there at all.
    pub fn is_nobody(&self) -> bool {
        matches!(self, AskError::Nobody { .. })
    }

    /// The HTTP status of a refusal.
    pub fn status(&self) -> Option<u16> {
        match self {
            AskError::Refused(problem) => Some(problem.status),
            _ => None,
        }
    }
}

impl From<AskError> for Failure {
    fn from(error: AskError) -> Self {
        Failure::Said(error.to_string())
    }
}
