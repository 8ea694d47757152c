//! The verdict on a unit that was taken in: what the checks found, and how they ended, in one word with its reasons.
//!
//! **In:** the findings of the intake script with their verdicts, how the run ended, and hints from the population and a
//! golden unit. **Out:** an outcome, and sentences that a person can read out to the owner. **Called by:** whoever tells an
//! intake. Only what was measured of the amplifier condemns it: what failed of bench, instruments, script or person leaves
//! it untested.

mod ending;
mod figure;
mod judge;

pub use ending::{Ending, Speaks, speaks};
pub use figure::{compact, figure};
pub use judge::{Checked, Hint, Intake, Outcome, judge};
