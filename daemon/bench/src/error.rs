//! What can go wrong on the bench.

use wattproof_guard::{Refusal, TripCause};
use wattproof_instruments::InstrumentError;

use crate::wire::actor::ActorGone;

/// A bench operation failed. Whatever the kind, the guard has tripped unless it says so.
#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    /// The guard did not let a command through, or tripped.
    #[error("{0}")]
    Refused(#[from] Refusal),
    /// An instrument failed; the guard has tripped.
    #[error("{0}")]
    Instrument(Box<InstrumentError>),
    /// The guard tripped on a reading or on time.
    #[error("the guard tripped: {0}; find the cause before the next run")]
    Tripped(TripCause),
    /// An instrument's thread is gone; the guard has tripped.
    #[error("{0}; restart the daemon")]
    Gone(#[from] ActorGone),
    /// A trip of before stands; nothing may be energised until a person has reset it.
    #[error(
        "this bench tripped ({cause}) and was not reset: look at the bench, remove the cause, then run `wattproof reset --bench FILE`, which shows what happened and the number to quote"
    )]
    Latched {
        /// The first cause.
        cause: TripCause,
    },
    /// The file of a latched trip can't be used.
    #[error("{0}")]
    Latch(#[from] crate::safety::latch::LatchError),
    /// The bench was reset since this run armed it.
    #[error(
        "this bench was reset after this run had armed it, and may be armed for another one: nothing more is sent for this run; `wattproof resume` goes on with it"
    )]
    Disarmed,
    /// A person stopped the bench.
    #[error("stopped by {0}; everything was switched off")]
    Stopped(String),
    /// The bench can't be opened as written.
    #[error("{0}")]
    Setup(String),
    /// The operating system gave no thread.
    #[error("can't start a thread: {0}; close other programs and try again")]
    Thread(#[from] std::io::Error),
}
