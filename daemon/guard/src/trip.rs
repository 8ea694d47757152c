//! Why the guard said no, or tripped.

use serde::{Deserialize, Serialize};

use crate::State;

/// What caused a trip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TripCause {
    /// A command or reading was beyond a limit (or not a number, which is beyond every limit).
    Limit {
        /// Name of the limit in the bench file.
        limit: String,
        /// The value met, in the limit's unit.
        value: f64,
        /// The limit.
        allowed: f64,
    },
    /// A safety reading was older than allowed.
    Stale {
        /// Age in seconds.
        age_s: f64,
    },
    /// An instrument failed, answered nonsense or its link broke.
    Instrument {
        /// What happened, with instrument and port.
        what: String,
    },
    /// A person asked for everything off.
    Stop {
        /// Who or what asked.
        by: String,
    },
    /// The run failed (script error, record could not be written, load wrong).
    Run {
        /// What happened.
        what: String,
    },
}

/// A latched trip: the first cause wins, later ones are evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trip {
    /// When, on the guard's clock, s.
    pub at_s: f64,
    /// The first cause.
    pub cause: TripCause,
    /// Number that a reset must quote.
    pub nonce: u64,
}

impl std::fmt::Display for TripCause {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            TripCause::Limit { limit, value, allowed } => {
                write!(f, "limit {limit}: met {value:.6}, allowed {allowed}")
            }
            TripCause::Stale { age_s } => write!(f, "safety readings are {age_s:.2} s old"),
            TripCause::Instrument { what } | TripCause::Run { what } => f.write_str(what),
            TripCause::Stop { by } => write!(f, "stopped by {by}"),
        }
    }
}

/// A command that the guard did not let through.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// The state does not allow energising.
    #[error("the guard is in state {state:?} and lets nothing be switched on or raised{}",
            cause.as_ref().map(|c| format!(" ({c})")).unwrap_or_default())]
    State {
        /// The state.
        state: State,
        /// The latched trip's cause, if any.
        cause: Option<TripCause>,
    },
    /// The value is beyond a limit; the guard has tripped.
    #[error(
        "the guard tripped: {0}; lower the request, or raise the limit in the bench file if the bench really allows it"
    )]
    Tripped(TripCause),
}
