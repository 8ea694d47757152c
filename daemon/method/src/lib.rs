//! The measuring method: ceiling search, cause, uncertainty and verdict, without I/O.
//!
//! **For:** deciding which source level to capture next, when the ceiling is known, why the amplifier stops
//! there, how uncertain the power is, and whether a rating is met.
//! **In:** a [`Sought`] question and, after each capture, an [`Observation`].
//! **Out:** [`Next`] (set a level, let it cool, done, failed), then a [`Ceiling`], a [`Budget`], a [`Judged`].
//! **Called by:** whatever runs scripts and talks to instruments. It holds no clock, thread, file or port;
//! the same observations always give the same answers.
//!
//! ```
//! use wattproof_method::{CeilingSearch, Next, Sought};
//! let mut search = CeilingSearch::new(Sought::usual(100.0, 8.0, 1.0))?;
//! assert!(matches!(search.next(None), Next::Set { level_vrms, .. } if level_vrms == 0.01));
//! # Ok::<(), wattproof_method::SoughtError>(())
//! ```

mod budget;
mod burst;
mod cause;
mod ceiling;
mod conclude;
mod fit;
mod observe;
mod points;
mod search;
mod sought;
mod verdict;

pub use budget::{Budget, Contribution, Kind, Shape, effective_degrees, propagate};
pub use burst::{
    BurstAnswer, BurstNext, BurstPower, BurstSeen, BurstSought, BurstTest, LimiterSeen, SustainedPower,
};
pub use cause::Cause;
pub use ceiling::{Bracket, Ceiling, LowLevelBump};
pub use observe::{ChannelObservation, Observation};
pub use search::{CeilingSearch, Failure, Next};
pub use sought::{LimitOn, Sought, SoughtError};
pub use verdict::{Judged, Verdict, probability_reached, verdict};
