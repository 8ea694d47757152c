//! What one capture told: scalars per channel, the supply, and whether the amplifier held.

use serde::{Deserialize, Serialize};

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
    /// Fall of the fundamental from the record's onset to its end, dB (positive: falling).
    pub envelope_droop_db: Option<f64>,
    /// Real part of the load's impedance as measured, ohms.
    pub load_ohm_measured: Option<f64>,
}

/// One capture as the search sees it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// Source level it was made at, V rms.
    pub level_vrms: f64,
    /// The driven channels, always in the same order.
    pub channels: Vec<ChannelObservation>,
    /// Supply voltage during the capture, V.
    pub supply_v: Option<f64>,
    /// Supply current during the capture, A.
    pub supply_a: Option<f64>,
    /// Heatsink temperature, degrees Celsius.
    pub heatsink_c: Option<f64>,
    /// The output collapsed during or after the capture.
    pub tripped: bool,
    /// The reading was refused (no signal, over-range, missing samples …).
    pub refused: bool,
}
