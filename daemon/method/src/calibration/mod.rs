//! Calibration of one digitizer input against a reference meter: from pairs of what the converter saw and what the meter
//! read to gain, offset and linearity with their uncertainties.
//!
//! **In:** [`Pair`]s, what the [`Meter`] is good for, whether voltages were direct or alternating. **Out:** a
//! [`Calibration`], or a [`Refused`] that names what makes no sense. **Called by:** whoever walks a person through it.

mod fit;
mod line;
mod meter;
mod refused;

pub use fit::{Calibration, Departure, Kind, Pair, calibrate, calibrate_confirmed};
pub use line::{Line, Weighted, line, through_zero};
pub use meter::Meter;
pub use refused::Refused;
