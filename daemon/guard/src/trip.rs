//! Why the guard said no, or tripped.

use serde::{Deserialize, Serialize};

use crate::State;

/// What caused a trip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TripCause {
    /// A reading was beyond a limit (or not a number, which is beyond every limit).
    Limit {
        /// Name of the limit in the bench file.
        limit: String,
        /// The value met, in the limit's unit.
        value: f64,
        /// The limit.
        allowed: f64,
    },
    /// A command asked for more than a limit, or for what is no number; it was not sent.
    Asked {
        /// Name of the limit in the bench file.
        limit: String,
        /// The value asked for, in the limit's unit.
        value: f64,
        /// The limit.
        allowed: f64,
    },
    /// A safety reading was older than allowed.
    Stale {
        /// Which reading.
        reading: String,
        /// Age in seconds.
        age_s: f64,
    },
    /// Readings contradict each other, the commands, or physics: no instrument can be relied on.
    Contradiction {
        /// What contradicts what.
        what: String,
    },
    /// The clock stood still, jumped or ran backwards: the machine slept, or nobody looked.
    Clock {
        /// From one look to the next, s; negative when it ran backwards.
        gap_s: f64,
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

impl TripCause {
    /// Whether the trip outlasts a restart. What the bench did against its limits must be seen by a person before
    /// it is energised again. A person's own stop was seen by that person; a script that fails, or asks for more
    /// than it may and gets nothing, leaves a bench that never left its limits.
    pub fn outlasts_restart(&self) -> bool {
        !matches!(self, TripCause::Stop { .. } | TripCause::Run { .. } | TripCause::Asked { .. })
    }

    /// The same kind of cause, whatever its numbers.
    pub(crate) fn is_like(&self, other: &TripCause) -> bool {
        match (self, other) {
            (TripCause::Limit { limit: a, .. }, TripCause::Limit { limit: b, .. })
            | (TripCause::Asked { limit: a, .. }, TripCause::Asked { limit: b, .. })
            | (TripCause::Stale { reading: a, .. }, TripCause::Stale { reading: b, .. }) => a == b,
            (TripCause::Clock { .. }, TripCause::Clock { .. }) => true,
            (a, b) => a == b,
        }
    }
}

impl std::fmt::Display for TripCause {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            TripCause::Limit { limit, value, allowed } => {
                write!(f, "limit {limit}: met {value:.6}, allowed {allowed}")
            }
            TripCause::Asked { limit, value, allowed } => {
                write!(f, "limit {limit}: asked for {value:.6}, allowed {allowed}")
            }
            TripCause::Stale { reading, age_s } => write!(f, "the {reading} reading is {age_s:.2} s old"),
            TripCause::Clock { gap_s } => {
                write!(
                    f,
                    "the clock went {gap_s:.2} s from one look to the next: the machine slept, or this program was stopped or starved"
                )
            }
            TripCause::Contradiction { what } | TripCause::Instrument { what } | TripCause::Run { what } => {
                f.write_str(what)
            }
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
    /// A limit is no limit, or is above what its instrument can do.
    #[error("limit {limit} = {value} {why}; correct it in the bench file")]
    Limits {
        /// Its name.
        limit: &'static str,
        /// Its value.
        value: f64,
        /// What is wrong with it.
        why: String,
    },
    /// A reset with a number that is not, or no longer, the one to quote.
    #[error(
        "the number quoted for the reset is not the present one: look at the cause again and quote the number shown with it"
    )]
    Nonce,
    /// A reset while something has not been seen within its limit since the trip.
    #[error(
        "not reset: {0} has not been measured within its limit since the trip; remove the cause, measure again"
    )]
    CauseStands(&'static str),
    /// A reset while an output is not confirmed off.
    #[error("not reset: the {0} is not confirmed off; switch it off, have it read back, try again")]
    NotOff(crate::Output),
}
