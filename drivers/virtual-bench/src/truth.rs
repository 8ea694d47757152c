//! The known answer: where an amplifier's ceiling really is, solved without the sample-level path.
//!
//! In: an amplifier and the conditions of a rating. Out: the highest sustained level that keeps the limit,
//! from a fixed point of the slow states and a one-period spectrum of the static transfer. Tests and
//! rehearsals compare measured answers with it; nothing here reads a clock or a random number.

mod level;
mod ratings;
mod search;

pub use level::LevelTruth;
pub use ratings::{RatingTruth, rating_truths};

use thiserror::Error;

use crate::amplifier::{AmplifierSpec, Band, Rating, RatingChannels};

/// Conditions for which the truth is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TruthQuery {
    /// Test tone, Hz.
    pub hz: f64,
    /// Resistive load of each driven channel, or between the outputs of each driven bridge, Ω.
    pub load_ohm: f64,
    /// Voltage at the supply terminals, held stiff, V dc.
    pub supply_v: f64,
    /// THD+N limit, %.
    pub limit_pct: f64,
    /// Channels driven, from the first on, with the same source level; bridges where they are bridged.
    pub channels_driven: usize,
    /// Whether channels 1 and 2, 3 and 4 and so on are bridged.
    pub bridged: bool,
    /// Measuring band.
    pub band_hz: Band,
    /// Highest level of the source, V rms.
    pub source_vrms_max: f64,
    /// Heatsink temperature, °C.
    pub heatsink_c: f64,
}

impl Default for TruthQuery {
    /// 1 kHz, 4 Ω, 14.4 V, 1 %, both channels, 20 Hz to 20 kHz, 2 V rms, 25 °C.
    fn default() -> Self {
        Self {
            hz: 1_000.0,
            load_ohm: 4.0,
            supply_v: 14.4,
            limit_pct: 1.0,
            channels_driven: 2,
            bridged: false,
            band_hz: Band::default(),
            source_vrms_max: 2.0,
            heatsink_c: 25.0,
        }
    }
}

impl TruthQuery {
    /// What a rating of the amplifier asks for.
    pub fn of(spec: &AmplifierSpec, rating: &Rating) -> Self {
        let bridged = rating.channels == RatingChannels::Bridged;
        let query = Self {
            hz: rating.hz,
            load_ohm: rating.load_ohm,
            supply_v: rating.supply_v,
            limit_pct: rating.thdn_pct,
            bridged,
            ..Self::default()
        };
        let channels_driven = match rating.channels {
            RatingChannels::One => 1,
            RatingChannels::All | RatingChannels::Bridged => query.outputs(spec),
        };
        Self { channels_driven, ..query }
    }

    /// Outputs that the amplifier has then: channels, or bridges of two.
    pub(crate) fn outputs(&self, spec: &AmplifierSpec) -> usize {
        spec.channels() / self.channels_each()
    }

    /// Channels behind each output.
    pub(crate) fn channels_each(&self) -> usize {
        if self.bridged { 2 } else { 1 }
    }
}

/// What stops the amplifier at its ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TruthCause {
    /// The output meets a sharp voltage limit.
    Clipping,
    /// The output meets a rounded voltage limit.
    SoftClipping,
    /// A limiter holds the output down.
    Limiting,
    /// The rails fell by more than 0.2 dB, then clipping.
    Sag,
    /// Protection trips above.
    Protection,
    /// The source cannot drive further.
    DriveExhausted,
    /// The output's current protection.
    CurrentLimit,
    /// Gain or rails folded back by heat by more than 0.2 dB.
    Thermal,
}

impl std::fmt::Display for TruthCause {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Clipping => "clipping",
            Self::SoftClipping => "soft clipping",
            Self::Limiting => "limiting",
            Self::Sag => "sag",
            Self::Protection => "protection",
            Self::DriveExhausted => "drive exhausted",
            Self::CurrentLimit => "current limit",
            Self::Thermal => "thermal",
        })
    }
}

/// The ceiling and what goes with it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// In-band power of the weakest driven channel, `out_vrms²/load_ohm`, W.
    pub power_w: f64,
    /// The same with everything at the terminals (dc, ultrasonic harmonics, switching residue), W.
    pub full_power_w: f64,
    /// In-band rms of the weakest driven channel, V.
    pub out_vrms: f64,
    /// Source level at the ceiling, V rms.
    pub source_vrms: f64,
    /// THD+N there (worst driven channel), %.
    pub thdn_pct: f64,
    /// What stops it.
    pub cause: TruthCause,
    /// Power at the first instant of a burst from rest, before rails, limiter and heat respond, W.
    pub burst_power_w: f64,
    /// Output power over supply power, all driven channels, 0 to 1.
    pub efficiency: f64,
    /// Supply current at the ceiling, A.
    pub supply_a: f64,
}

/// Why there is no truth for a query.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum TruthError {
    /// A condition cannot be met by the model.
    #[error("truth query: `{field}` is {value}, it must be {expected}; correct the query")]
    Query {
        /// Field of the query.
        field: &'static str,
        /// Value found.
        value: f64,
        /// Accepted range in words.
        expected: &'static str,
    },
    /// No level keeps the limit.
    #[error(
        "amplifier `{amplifier}` keeps {limit_pct} % THD+N at no level between {from_vrms} and {to_vrms} V rms \
         of source; raise the limit or check supply and load"
    )]
    NoCeiling {
        /// Name of the amplifier.
        amplifier: String,
        /// Limit, %.
        limit_pct: f64,
        /// Lowest source level tried, V rms.
        from_vrms: f64,
        /// Highest source level tried, V rms.
        to_vrms: f64,
    },
}

/// The ceiling: highest source level with THD+N within the limit, at most 3 dB of the small-signal gain lost
/// (6 dB for limits of 10 % and more), no trip in the steady state, and the source within its range.
///
/// # Errors
/// [`TruthError::Query`] for impossible conditions, [`TruthError::NoCeiling`] if no level qualifies.
pub fn truth(spec: &AmplifierSpec, query: &TruthQuery) -> Result<Truth, TruthError> {
    check(spec, query)?;
    search::ceiling(spec, query)
}

/// The steady state at one source level, per channel.
///
/// # Errors
/// [`TruthError::Query`] for impossible conditions.
pub fn truth_at(
    spec: &AmplifierSpec,
    query: &TruthQuery,
    source_vrms: f64,
) -> Result<LevelTruth, TruthError> {
    check(spec, query)?;
    if !(source_vrms.is_finite() && source_vrms >= 0.0) {
        return Err(TruthError::Query { field: "source_vrms", value: source_vrms, expected: "from 0 up" });
    }
    Ok(level::Solver::new(spec, query, level::FINE_POINTS).steady(source_vrms))
}

fn check(spec: &AmplifierSpec, q: &TruthQuery) -> Result<(), TruthError> {
    let positive = [
        ("hz", q.hz),
        ("load_ohm", q.load_ohm),
        ("supply_v", q.supply_v),
        ("limit_pct", q.limit_pct),
        ("source_vrms_max", q.source_vrms_max),
    ];
    for (field, value) in positive {
        if !(value.is_finite() && value > 0.0) {
            return Err(TruthError::Query { field, value, expected: "a finite number above 0" });
        }
    }
    if !(q.heatsink_c.is_finite() && q.heatsink_c > -273.15) {
        return Err(TruthError::Query {
            field: "heatsink_c",
            value: q.heatsink_c,
            expected: "a temperature",
        });
    }
    if !(1..=q.outputs(spec)).contains(&q.channels_driven) {
        let (value, expected) = (q.channels_driven as f64, "1 up to the outputs that the amplifier has");
        return Err(TruthError::Query { field: "channels_driven", value, expected });
    }
    if !(q.band_hz.low_hz < q.hz && q.hz < q.band_hz.high_hz) {
        return Err(TruthError::Query { field: "hz", value: q.hz, expected: "within the band" });
    }
    Ok(())
}
