//! How ADC channels map to volts and amperes at the amplifier's outputs, with their calibration.

use serde::{Deserialize, Serialize};

/// What an ADC channel looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Measures {
    /// An amplifier output's voltage, through a divider.
    Volts,
    /// An amplifier output's current, through a shunt or sensor.
    Amps,
}

/// One ADC channel: amplifier quantity = (ADC volts − `offset_v`) · `gain`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibratedChannel {
    /// ADC channel number.
    pub adc: u32,
    /// Amplifier channel looked at, from 1.
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
    /// Day of the calibration, `YYYY-MM-DD`.
    pub calibrated: Option<String>,
}

impl CalibratedChannel {
    /// ADC volts to amplifier volts or amperes, in place.
    pub fn scale(&self, samples: &mut [f64]) {
        for sample in samples {
            *sample = (*sample - self.offset_v) * self.gain;
        }
    }

    /// The amplifier quantity at the ADC's full scale.
    pub fn full_scale(&self, adc_full_scale_v: f64) -> f64 {
        adc_full_scale_v * self.gain.abs()
    }
}
