//! The answer of a ceiling search.

use serde::{Deserialize, Serialize};

use crate::cause::Cause;

/// A capture on one side of the ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bracket {
    /// Source level, V rms.
    pub level_vrms: f64,
    /// Lowest power of the driven channels, W.
    pub power_w: f64,
    /// The limited distortion figure of the worst channel, percent.
    pub thdn_pct: f64,
}

/// Distortion above the limit well below the ceiling, that fell again with rising level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LowLevelBump {
    /// Source level of its worst capture, V rms.
    pub level_vrms: f64,
    /// Lowest power of the driven channels there, W.
    pub power_w: f64,
    /// The limited distortion figure there, percent.
    pub thdn_pct: f64,
    /// Whether measured noise accounts for it (then it is a noise floor, no crossover distortion);
    /// `None` where noise wasn't measured.
    pub noise_dominated: Option<bool>,
}

/// The highest output that still keeps the limit, and why it stops there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ceiling {
    /// Source level at the ceiling, V rms.
    pub level_vrms: f64,
    /// The same, dB re 1 V rms.
    pub level_dbv: f64,
    /// Fundamental at the output of the weakest channel at the ceiling, V rms.
    pub out_vrms: f64,
    /// Lowest power of the driven channels at the ceiling, W.
    pub power_w: f64,
    /// Power of each driven channel at the ceiling level, W.
    pub power_w_each: Vec<f64>,
    /// The limited distortion figure (THD or THD+N, as the question says) of the worst channel at the
    /// ceiling, percent; equal to the limit where distortion bounds the output.
    pub thdn_pct: f64,
    /// Standard uncertainty of `power_w` from interpolation and scatter alone, W.
    pub u_interpolation_w: f64,
    /// Standard error of the ceiling's source level, dB.
    pub u_level_db: f64,
    /// Nearest capture below that keeps the limit.
    pub below: Option<Bracket>,
    /// Nearest capture above that breaks it; `None` where the range or the declared maximum ended the search.
    pub above: Option<Bracket>,
    /// Why it stops there.
    pub cause: Cause,
    /// The facts behind the cause, with numbers.
    pub evidence: Vec<String>,
    /// Observations used, refused and tripped ones included.
    pub captures: usize,
    /// Loss of small-signal gain at the ceiling in the worst channel, dB.
    pub compression_db: f64,
    /// Distortion above the limit at low level, if any was seen.
    pub low_level_bump: Option<LowLevelBump>,
    /// Measured load nearest the ceiling, ohms, lowest channel.
    pub load_ohm_measured: Option<f64>,
    /// Supply voltage nearest the ceiling, V.
    pub supply_v: Option<f64>,
    /// Output power of all driven channels over supply power, nearest the ceiling, percent.
    pub efficiency_pct: Option<f64>,
}
