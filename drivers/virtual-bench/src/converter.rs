//! The digitizer's analogue-to-digital converter: analogue volts in, integer codes out.

use thiserror::Error;

use crate::world::noise::Gaussian;

/// Why a converter was refused.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ConverterError {
    /// Only three widths exist.
    #[error("a converter of {bits} bits does not exist here; use 12, 16 or 24")]
    Bits {
        /// Width asked for.
        bits: u32,
    },
    /// A value is out of range.
    #[error("converter `{field}` is {value}; it must be a finite number {expected}")]
    Value {
        /// Field name.
        field: &'static str,
        /// Value found.
        value: f64,
        /// Range in words.
        expected: &'static str,
    },
}

/// An ideal rounding converter with a range, input noise and a calibration error.
#[derive(Debug, Clone)]
pub struct Converter {
    full_scale: f64,
    bits: u32,
    gain: f64,
    offset: f64,
    noise_rms: f64,
    noise: Gaussian,
}

/// Codes of one record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conversion {
    /// Two's-complement codes, −2^(bits−1) to 2^(bits−1)−1.
    pub codes: Vec<i32>,
    /// True if any sample met the end of the range.
    pub overrange: bool,
}

impl Converter {
    /// A converter for ±`full_scale` (volts or amperes), with input noise `noise_rms` in the same unit.
    ///
    /// # Errors
    /// [`ConverterError`] for a width other than 12, 16, 24, or a range or noise that cannot be.
    pub fn new(full_scale: f64, bits: u32, noise_rms: f64, seed: u64) -> Result<Self, ConverterError> {
        if ![12, 16, 24].contains(&bits) {
            return Err(ConverterError::Bits { bits });
        }
        if !(full_scale.is_finite() && full_scale > 0.0) {
            return Err(ConverterError::Value {
                field: "full_scale",
                value: full_scale,
                expected: "above 0",
            });
        }
        if !(noise_rms.is_finite() && noise_rms >= 0.0) {
            return Err(ConverterError::Value {
                field: "noise_rms",
                value: noise_rms,
                expected: "from 0 up",
            });
        }
        Ok(Self { full_scale, bits, gain: 1.0, offset: 0.0, noise_rms, noise: Gaussian::new(seed) })
    }

    /// Adds a calibration error: the converter sees `gain·x + offset`.
    #[must_use]
    pub fn with_error(mut self, gain: f64, offset: f64) -> Self {
        self.gain = gain;
        self.offset = offset;
        self
    }

    /// Size of one code step, in the input's unit.
    pub fn lsb(&self) -> f64 {
        2.0 * self.full_scale / f64::from(1_u32 << self.bits)
    }

    /// Half range, in the input's unit.
    pub fn full_scale(&self) -> f64 {
        self.full_scale
    }

    /// Width, bits.
    pub fn bits(&self) -> u32 {
        self.bits
    }

    /// Converts a record; the noise generator moves on, so no two records share their noise.
    pub fn convert(&mut self, input: &[f64]) -> Conversion {
        let top = (1_i32 << (self.bits - 1)) - 1;
        let bottom = -top - 1;
        let per_unit = 1.0 / self.lsb();
        let mut overrange = false;
        let codes = input
            .iter()
            .map(|x| {
                let noise = if self.noise_rms > 0.0 { self.noise_rms * self.noise.draw() } else { 0.0 };
                let code = nearest((self.gain * x + self.offset + noise) * per_unit);
                overrange |= code >= top || code <= bottom;
                code.clamp(bottom, top)
            })
            .collect();
        Conversion { codes, overrange }
    }

    /// Value a code stands for (nominal calibration), in the input's unit.
    pub fn value(&self, code: i32) -> f64 {
        f64::from(code) * self.lsb()
    }
}

/// The nearest whole number, held within what an `i32` can tell. A cast is many times quicker than `round`, which is a call.
fn nearest(value: f64) -> i32 {
    (value + 0.5_f64.copysign(value)) as i32
}
