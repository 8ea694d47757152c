//! Why the output stops where it does, with the facts. Where the facts don't decide, it says so.

use serde::{Deserialize, Serialize};
use std::fmt;

use crate::conclude::Bound;
use crate::evidence;
use crate::points::{Point, Points};
use crate::side::Side;
use crate::sought::Sought;

/// Why the ceiling is where it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// The waveform is cut off abruptly.
    Clipping,
    /// The waveform bends gradually.
    SoftClipping,
    /// Gain is taken back while the waveform stays clean.
    Limiting,
    /// The supply gives way.
    Sag,
    /// The amplifier's protection trips.
    Protection,
    /// The source has no more to give.
    DriveExhausted,
    /// Peaks stop below what the supply allows.
    CurrentLimit,
    /// Heat lowers the output at the same drive.
    Thermal,
    /// The facts don't decide.
    Undetermined,
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Clipping => "clipping",
            Self::SoftClipping => "soft clipping",
            Self::Limiting => "limiting",
            Self::Sag => "sag",
            Self::Protection => "protection",
            Self::DriveExhausted => "drive exhausted",
            Self::CurrentLimit => "current limit",
            Self::Thermal => "thermal",
            Self::Undetermined => "undetermined",
        })
    }
}

/// What the classifier looks at.
pub(crate) struct Facts<'a> {
    pub sought: &'a Sought,
    pub points: &'a Points,
    /// Short looks, which supply, heat and a slow limiter don't follow.
    pub looks: &'a [Point],
    /// Loud captures that were made again because the output still fell.
    pub drifted: &'a [Point],
    pub sides: &'a [Side],
    pub x_db: f64,
    pub bound: Bound,
    pub compression_db: f64,
    pub near: &'a Point,
}

/// The cause and its evidence; rules in the order in which one fact overrules another.
pub(crate) fn classify(facts: &Facts<'_>) -> (Cause, Vec<String>) {
    let mut told = Vec::new();
    let cause = evidence::load_fault(facts, &mut told)
        .or_else(|| evidence::bounded(facts, &mut told))
        .or_else(|| evidence::taken_back(facts, &mut told))
        .or_else(|| evidence::drift(facts, &mut told))
        .or_else(|| evidence::sag(facts, &mut told))
        .or_else(|| evidence::current_limit(facts, &mut told))
        .unwrap_or_else(|| {
            evidence::asymmetry(facts, &mut told);
            evidence::waveform(facts, &mut told)
        });
    (cause, told)
}
