//! What one capture says.

use serde::{Deserialize, Serialize};

use crate::envelope::Envelope;
use crate::flags::Flag;

/// Every quantity of one capture. A number that could not be told is `None`, never 0.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
pub struct Reading {
    /// Frequency of the fundamental, in Hz (IEEE Std 1057 fit on the harmonic model).
    pub fundamental_hz: Option<f64>,
    /// Rms of the voltage's fundamental, in V.
    pub fundamental_vrms: Option<f64>,
    /// Phase of the voltage's fundamental at the first sample, in degrees in (−180, 180], of a cosine
    /// (IEEE Std 1057).
    pub fundamental_phase_deg: Option<f64>,
    /// True rms voltage over whole cycles, full bandwidth, dc included, in V.
    pub out_vrms: Option<f64>,
    /// True rms current over whole cycles, full bandwidth, dc included, in A.
    pub out_irms: Option<f64>,
    /// Largest magnitude of the voltage, in V.
    pub out_vpk: Option<f64>,
    /// Largest magnitude of the current, in A.
    pub out_apk: Option<f64>,
    /// Rms voltage within the band, without dc, in V (AES17).
    pub band_vrms: Option<f64>,
    /// Mean voltage over whole cycles, in V.
    pub dc_v: Option<f64>,
    /// Mean of v·i over whole cycles, in W (IEEE Std 1459).
    pub active_w: Option<f64>,
    /// Rms voltage times rms current, in VA (IEEE Std 1459).
    pub apparent_va: Option<f64>,
    /// Active over apparent power (IEEE Std 1459).
    pub power_factor: Option<f64>,
    /// Phase of the voltage's fundamental over the current's, in degrees; lagging current is positive
    /// (IEEE Std 1459).
    pub phase_deg: Option<f64>,
    /// Real part of the load's impedance at the fundamental, in ohm.
    pub load_ohm_measured: Option<f64>,
    /// Imaginary part of the load's impedance at the fundamental, in ohm; inductive is positive.
    pub load_x_ohm: Option<f64>,
    /// Harmonics within the band from the 2nd, each in percent of the fundamental.
    pub harmonics_pct: Vec<f64>,
    /// √(Σ Vk²)/V1 over the harmonics within the band, in percent (THD_F); `None` if the
    /// band holds no harmonic.
    pub thd_pct: Option<f64>,
    /// Rms of everything in the band but the fundamental over rms of everything in the band, in percent
    /// (AES17). Slow modulation of the fundamental, within five lines of the record's spectrum, belongs to
    /// the fundamental, as it does behind a notch filter.
    pub thdn_pct: Option<f64>,
    /// Rms of what is in the band and neither fundamental nor harmonic, in V. What the harmonic fit absorbed
    /// of a flat noise is added back.
    pub noise_vrms: Option<f64>,
    /// Rms at the mains frequency and its multiples, in percent of the fundamental. Multiples that fall on a
    /// harmonic of the tone can't be told from it and are left out; `None` if that leaves none, or if the
    /// record is too short to tell one multiple from the next.
    pub hum_pct: Option<f64>,
    /// Rms of everything above the band, in V: switching residue, and harmonics above the band.
    pub residue_vrms: Option<f64>,
    /// Peak over true rms voltage.
    pub crest_factor: Option<f64>,
    /// Share of the voltage's samples within 1 % of its peak, in percent (9.0 for a sine). Common practice, no
    /// source.
    pub flat_top_pct: Option<f64>,
    /// Share of the harmonics' power that sits in even orders, 0 to 1; `None` without harmonics.
    pub even_share: Option<f64>,
    /// The fundamental against time within the record.
    pub envelope: Option<Envelope>,
    /// Type A standard uncertainties.
    pub u: Uncertainty,
    /// Why numbers are absent, or what to know about them.
    pub flags: Vec<Flag>,
    /// A-weighted noise within the band, in V: `noise_vrms` through the curve of IEC 61672-1, true rms. `None`
    /// if the record ends below 20 kHz or is shorter than 50 ms.
    #[serde(default)]
    pub noise_a_vrms: Option<f64>,
    /// Noise within the band through the weighting curve of ITU-R BS.468-4, in V, with a true-rms detector and
    /// not the Recommendation's quasi-peak one. `None` as for `noise_a_vrms`.
    #[serde(default)]
    pub noise_468_vrms: Option<f64>,
    /// Noise within the band as the weighted quasi-peak meter of ITU-R BS.468-4 reads it, in V, where a steady
    /// sine reads its rms. What the harmonic fit absorbed of the noise is not added back. `None` unless
    /// `Settings::quasi_peak` asks for it, and as for `noise_a_vrms`.
    #[serde(default)]
    pub noise_468_qp_v: Option<f64>,
    /// `harmonics_pct` in dB of the fundamental; `None` where nothing at all was found.
    #[serde(default)]
    pub harmonics_db: Vec<Option<f64>>,
    /// Active power of the fundamentals alone, V1·I1·cos φ1, in W (IEEE Std 1459).
    #[serde(default)]
    pub fundamental_active_w: Option<f64>,
    /// Apparent power of the fundamentals alone, V1·I1, in VA (IEEE Std 1459).
    #[serde(default)]
    pub fundamental_apparent_va: Option<f64>,
    /// Reactive power of the fundamentals, V1·I1·sin φ1, in var; positive where the current lags (IEEE Std 1459).
    #[serde(default)]
    pub fundamental_reactive_var: Option<f64>,
    /// cos φ1 of the fundamentals (IEEE Std 1459: displacement power factor).
    #[serde(default)]
    pub displacement_power_factor: Option<f64>,
    /// Active power of all but the fundamentals, dc included, in W: `active_w` less `fundamental_active_w`
    /// (IEEE Std 1459).
    #[serde(default)]
    pub harmonic_active_w: Option<f64>,
    /// Apparent power of all but the fundamentals, √(S² − S1²), in VA (IEEE Std 1459: non-fundamental apparent
    /// power).
    #[serde(default)]
    pub nonfundamental_va: Option<f64>,
    /// In-phase and quadrature part of the voltage's harmonics from dc to the 128th at most, V peak, against the phase of
    /// its own fundamental: Σ p·sin kθ + q·cos kθ. Empty in a refused reading. Not serialised: it is as long as a
    /// hundred other figures, and can be computed again from the capture.
    #[serde(skip)]
    pub series: Vec<(f64, f64)>,
}

impl Reading {
    /// A reading without numbers, for the reasons given.
    pub fn refused(flags: Vec<Flag>) -> Self {
        Self { flags, ..Self::default() }
    }

    /// True if the capture was refused: no number is present.
    pub fn is_refused(&self) -> bool {
        self.flags.iter().any(Flag::refuses)
    }
}

/// Type A standard uncertainties (JCGM 100:2008, 4.2): the scatter that this record's own noise causes. What
/// calibration, range and supply add is not in the record and is not in here.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
pub struct Uncertainty {
    /// Of `out_vrms`, in V.
    pub out_vrms: Option<f64>,
    /// Of `active_w`, in W.
    pub active_w: Option<f64>,
    /// Of `thdn_pct`, in percentage points.
    pub thdn_pct: Option<f64>,
    /// Of `fundamental_vrms`, in V.
    pub fundamental_vrms: Option<f64>,
    /// Of `fundamental_hz`, in Hz.
    #[serde(default)]
    pub fundamental_hz: Option<f64>,
    /// Of `thd_pct`, in percentage points.
    #[serde(default)]
    pub thd_pct: Option<f64>,
    /// Of `dc_v`, in V; noise near dc is taken to be as dense as within the band.
    #[serde(default)]
    pub dc_v: Option<f64>,
    /// Of `phase_deg`, in degrees.
    #[serde(default)]
    pub phase_deg: Option<f64>,
    /// Of `load_ohm_measured`, in ohm.
    #[serde(default)]
    pub load_ohm_measured: Option<f64>,
    /// Of `out_irms`, in A.
    #[serde(default)]
    pub out_irms: Option<f64>,
    /// Of `band_vrms`, in V.
    #[serde(default)]
    pub band_vrms: Option<f64>,
    /// Of `fundamental_phase_deg`, in degrees.
    #[serde(default)]
    pub fundamental_phase_deg: Option<f64>,
    /// Of `apparent_va`, in VA.
    #[serde(default)]
    pub apparent_va: Option<f64>,
    /// Of `power_factor`; 0 for a resistive load, as far as small changes go.
    #[serde(default)]
    pub power_factor: Option<f64>,
    /// Of `load_x_ohm`, in ohm.
    #[serde(default)]
    pub load_x_ohm: Option<f64>,
    /// Of each of `harmonics_pct`, in percentage points.
    #[serde(default)]
    pub harmonic_pct: Option<f64>,
    /// Of `noise_vrms`, in V.
    #[serde(default)]
    pub noise_vrms: Option<f64>,
    /// Of `noise_a_vrms`, in V.
    #[serde(default)]
    pub noise_a_vrms: Option<f64>,
    /// Of `noise_468_vrms`, in V.
    #[serde(default)]
    pub noise_468_vrms: Option<f64>,
    /// Of `hum_pct`, in percentage points.
    #[serde(default)]
    pub hum_pct: Option<f64>,
    /// Of `residue_vrms`, in V.
    #[serde(default)]
    pub residue_vrms: Option<f64>,
    /// Of `fundamental_active_w`, in W.
    #[serde(default)]
    pub fundamental_active_w: Option<f64>,
    /// Of `fundamental_apparent_va`, in VA.
    #[serde(default)]
    pub fundamental_apparent_va: Option<f64>,
    /// Of `fundamental_reactive_var`, in var.
    #[serde(default)]
    pub fundamental_reactive_var: Option<f64>,
    /// Of `displacement_power_factor`; 0 for a resistive load, as far as small changes go.
    #[serde(default)]
    pub displacement_power_factor: Option<f64>,
}

/// The number, if it is one.
pub(crate) fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// A ratio of amplitudes in dB; `None` for nothing.
pub(crate) fn decibels(ratio: f64) -> Option<f64> {
    finite(20.0 * ratio.log10())
}
