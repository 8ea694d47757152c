//! What one capture told: scalars per channel, the supply, and whether the amplifier held.

use serde::{Deserialize, Serialize};

use crate::curve::TransferCurve;

/// One driven channel's scalars in one capture. A figure that wasn't measured is `None`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ChannelObservation {
    /// Fundamental at the output, V rms.
    pub fundamental_vrms: Option<f64>,
    /// Active power into the load, W.
    pub active_w: Option<f64>,
    /// Total harmonic distortion, percent.
    pub thd_pct: Option<f64>,
    /// Total harmonic distortion and noise, percent.
    pub thdn_pct: Option<f64>,
    /// Share of the even harmonics in the distortion's power, 0 to 1.
    pub even_share: Option<f64>,
    /// Share of samples within 1 % of the peak, percent.
    pub flat_top_pct: Option<f64>,
    /// Peak over rms, dimensionless.
    pub crest_factor: Option<f64>,
    /// Noise in the band, V rms.
    pub noise_vrms: Option<f64>,
    /// Fall of the fundamental from the record's first quarter to its last, dB (positive: falling).
    pub envelope_droop_db: Option<f64>,
    /// Real part of the load's impedance as measured, ohms.
    pub load_ohm_measured: Option<f64>,
    /// Static transfer curve of the record.
    pub curve: Option<TransferCurve>,
}

/// A short look at another level: a block of a ramp, or a burst within a steady record.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Look {
    /// Source level of the look, V rms.
    pub level_vrms: f64,
    /// The driven channels, in the same order as those of the observation.
    pub channels: Vec<LookChannel>,
}

/// What a short look tells about one channel.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LookChannel {
    /// Fundamental at the output, V rms.
    pub fundamental_vrms: Option<f64>,
    /// Total harmonic distortion, percent.
    pub thd_pct: Option<f64>,
    /// Static transfer curve.
    pub curve: Option<TransferCurve>,
}

/// One capture as the search sees it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// Source level it was made at, V rms. For a ramp: where it ended.
    pub level_vrms: f64,
    /// Time at this level before the record, s.
    pub held_s: f64,
    /// Length of the record, s.
    pub record_s: f64,
    /// The driven channels, always in the same order; empty for a ramp, which holds no level.
    pub channels: Vec<ChannelObservation>,
    /// Supply voltage during the capture, V.
    pub supply_v: Option<f64>,
    /// Supply current during the capture, A.
    pub supply_a: Option<f64>,
    /// Heatsink temperature, degrees Celsius.
    pub heatsink_c: Option<f64>,
    /// Short looks at other levels, in the order they were taken: the burst of a probe, the blocks of a ramp.
    pub looks: Vec<Look>,
    /// The output collapsed during or after the capture.
    pub tripped: bool,
    /// The reading was refused (no signal, over-range, missing samples …).
    pub refused: bool,
}
