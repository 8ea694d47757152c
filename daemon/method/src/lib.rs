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

mod bridge;
mod budget;
mod burst;
pub mod calibration;
mod cause;
mod ceiling;
mod clean_output;
mod climb;
mod close_in;
mod conclude;
mod coverage;
mod curve;
mod drift;
mod estimate;
mod evidence;
mod failure;
mod finish;
mod fit;
pub mod intake;
mod knee;
mod limiter;
mod look;
mod model;
mod next;
mod observe;
mod points;
pub mod population;
mod propagate;
mod ramp;
mod search;
pub mod selfcheck;
mod side;
mod sought;
mod trip;
mod verdict;
mod volts;

pub use bridge::NegativeSide;
pub use budget::{Budget, COVERAGE, Contribution, Kind, Shape};
pub use burst::{
    BurstAnswer, BurstNext, BurstPower, BurstSeen, BurstSought, BurstTest, LimiterSeen, SustainedPower,
};
pub use cause::Cause;
pub use ceiling::{Bracket, Ceiling, LowLevelBump};
pub use clean_output::{CleanOutput, CurvePoint, NoCleanOutput, clean_output};
pub use curve::{Predicted, TransferCurve};
pub use failure::Failure;
pub use model::{Calibrated, Evaluated, Exponents, PowerModel, Within};
pub use next::{Next, Record};
pub use observe::{ChannelObservation, Look, LookChannel, Observation};
pub use propagate::{covariance, effective_degrees, propagate, sensitivities};
pub use ramp::RampWatch;
pub use search::CeilingSearch;
pub use sought::{LimitOn, Reach, Sought, SoughtError};
pub use verdict::{Judged, Quantity, Verdict, probability_reached, verdict, verdict_within};
pub use volts::VoltsModel;
