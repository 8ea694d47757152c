use crate::converter::{Converter, ConverterError};

use super::mix;

/// What a digitizer channel senses at the amplifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Voltage across an output, through a divider.
    Volts,
    /// Current into a load, through a sensor.
    Amps,
}

/// One channel's way from the amplifier to the converter.
#[derive(Debug, Clone, PartialEq)]
pub struct FrontEndChannel {
    /// Digitizer channel, from 1.
    pub channel: u32,
    /// What it senses.
    pub quantity: Quantity,
    /// Amplifier output, from 1.
    pub output: u32,
    /// Nominal gain: V (or A) at the amplifier per V at the converter.
    pub per_volt: f64,
    /// Tolerance of that gain, %.
    pub tolerance_pct: f64,
    /// True gain error as a ratio, within the tolerance: what a measurement cannot know.
    pub(crate) error: f64,
}

impl FrontEndChannel {
    /// A channel without a gain error.
    pub fn exact(channel: u32, quantity: Quantity, output: u32, per_volt: f64) -> Self {
        FrontEndChannel { channel, quantity, output, per_volt, tolerance_pct: TOLERANCE_PCT, error: 0.0 }
    }

    /// The true gain, V (or A) at the amplifier per V at the converter: for tests that judge an uncertainty.
    pub fn true_per_volt(&self) -> f64 {
        self.per_volt / (1.0 + self.error)
    }
}

/// The digitizer's analogue front end and what its converter can do.
#[derive(Debug, Clone, PartialEq)]
pub struct FrontEnd {
    /// Its channels: volts of output 1, amperes of output 1, volts of output 2, amperes of output 2 and so on.
    pub channels: Vec<FrontEndChannel>,
    /// Ranges of the converter, V peak, rising.
    pub ranges_v: Vec<f64>,
    /// Width of the converter, bits.
    pub bits: u32,
    /// Noise of the converter, as a ratio of its range, rms.
    pub noise_ratio: f64,
}

/// Volts at the amplifier per volt at the converter.
const VOLTS_PER_VOLT: f64 = 20.0;
/// Amperes at the amplifier per volt at the converter.
const AMPS_PER_VOLT: f64 = 10.0;
/// Tolerance of divider and sensor, %.
const TOLERANCE_PCT: f64 = 0.1;
/// Input noise per range: about a third of a 16-bit step.
const NOISE_RATIO: f64 = 1.0e-5;

impl FrontEnd {
    /// Dividers of 1:20 and sensors of 10 A/V on every output, each wrong by a seeded amount within 0.1 %.
    ///
    /// # Errors
    /// [`ConverterError::Bits`] for a width other than 12, 16 or 24.
    pub fn new(outputs: usize, seed: u64, bits: u32) -> Result<Self, ConverterError> {
        Converter::new(1.0, bits, 0.0, 0)?;
        let channels = (0_u32..)
            .take(2 * outputs)
            .map(|index| {
                let volts = index % 2 == 0;
                let uniform = (mix(seed, 100 + u64::from(index)) >> 11) as f64 / (1_u64 << 53) as f64;
                FrontEndChannel {
                    channel: index + 1,
                    quantity: if volts { Quantity::Volts } else { Quantity::Amps },
                    output: index / 2 + 1,
                    per_volt: if volts { VOLTS_PER_VOLT } else { AMPS_PER_VOLT },
                    tolerance_pct: TOLERANCE_PCT,
                    error: (2.0 * uniform - 1.0) * TOLERANCE_PCT / 100.0,
                }
            })
            .collect();
        Ok(Self { channels, ranges_v: vec![1.0, 2.0, 5.0, 10.0], bits, noise_ratio: NOISE_RATIO })
    }

    /// Channels of one's own, numbered from 1 in a row, with ranges of one's own, V peak, rising.
    ///
    /// # Errors
    /// As [`FrontEnd::new`].
    pub fn of(channels: Vec<FrontEndChannel>, ranges_v: Vec<f64>, bits: u32) -> Result<Self, ConverterError> {
        Converter::new(1.0, bits, 0.0, 0)?;
        Ok(Self { channels, ranges_v, bits, noise_ratio: NOISE_RATIO })
    }

    /// The smallest range that holds `volts`, V peak; `None` beyond the largest.
    pub fn range_for(&self, volts: f64) -> Option<f64> {
        self.ranges_v.iter().copied().find(|range| *range >= volts)
    }
}
