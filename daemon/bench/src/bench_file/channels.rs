//! How ADC channels map to volts and amperes at the amplifier's outputs, with their calibration.

use serde::{Deserialize, Serialize};

use crate::Calibration;

/// What an ADC channel looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Measures {
    /// An amplifier output's voltage, through a divider; to ground on one side of a bridge.
    Volts,
    /// An amplifier output's current, through a shunt or sensor.
    Amps,
}

/// Offset that an ADC channel may have where the bench file doesn't say, as a ratio of its range: what general
/// digitizers specify (common practice, no source).
pub const OFFSET_OF_RANGE: f64 = 1e-3;

/// One ADC channel: amplifier quantity = (ADC volts − `offset_v`) · `gain`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibratedChannel {
    /// ADC channel number.
    pub adc: u32,
    /// Amplifier channel looked at, from 1; of a bridged bench the bridge.
    pub amplifier_channel: u32,
    /// Volts or amps.
    pub measures: Measures,
    /// Volts per ADC volt, or amperes per ADC volt.
    pub gain: f64,
    /// ADC reading with nothing connected, V.
    #[serde(default)]
    pub offset_v: f64,
    /// ADC range, V peak.
    pub range_v: f64,
    /// Tolerance of `gain` as a half-width, % (rectangular distribution).
    pub tolerance_pct: f64,
    /// Tolerance of `offset_v` as a half-width, V at the ADC (rectangular distribution); absent counts as
    /// [`OFFSET_OF_RANGE`] of the range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset_tolerance_v: Option<f64>,
    /// Day of the calibration, `YYYY-MM-DD`.
    pub calibrated: Option<String>,
    /// What `wattproof calibrate` found; absent: never calibrated here, the tolerances stand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration: Option<Calibration>,
}

impl CalibratedChannel {
    /// ADC volts to amplifier volts or amperes, in place.
    pub fn scale(&self, samples: &mut [f64]) {
        for sample in samples {
            *sample = (*sample - self.offset_v) * self.gain;
        }
    }

    /// Half-width of the offset's tolerance at the amplifier's output, V or A.
    pub fn offset_tolerance(&self) -> f64 {
        self.offset_tolerance_v.unwrap_or(OFFSET_OF_RANGE * self.range_v) * self.gain.abs()
    }

    /// The amplifier quantity at the ADC's full scale.
    pub fn full_scale(&self, adc_full_scale_v: f64) -> f64 {
        adc_full_scale_v * self.gain.abs()
    }
}
