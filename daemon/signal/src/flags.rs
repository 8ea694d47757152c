//! Why a capture was refused, or what its reader must know.

use serde::{Deserialize, Serialize};

/// A remark on a reading.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[serde(rename_all = "snake_case")]
pub enum Flag {
    /// The fundamental is less than 6 dB over the noise.
    NoSignal,
    /// A sample, the sample rate or a setting is not a finite number.
    InvalidSamples,
    /// The record holds fewer than five cycles of the tone.
    TooShort,
    /// The tone is not near the commanded frequency.
    WrongFrequency,
    /// Samples are missing from the record.
    MissingSamples,
    /// The record holds a stretch of exact zeros, or of one value, while the tone goes on beside it.
    Dropout,
    /// A channel hit its converter's limits: the numbers are computed, but the converter may have shaped them.
    AdcOverrange,
    /// The tone's frequency moved within the record: the numbers are computed, but what its movement spreads counts as
    /// noise.
    FrequencyDrift,
    /// It is a record of noise, which has no fundamental and so no distortion.
    NoDistortion,
}

impl Flag {
    /// What happened, where, and what to do next.
    pub fn reason(&self) -> &'static str {
        match self {
            Flag::NoSignal => {
                "the fundamental is less than 6 dB over the noise of the voltage channel and whatever else in the band \
                 is no harmonic of it: raise the level, or check the source, the amplifier's mute and the probe"
            }
            Flag::InvalidSamples => {
                "the capture holds a sample, a sample rate or a setting that is not a usable number: check \
                 the digitizer's data format and the channel's calibration"
            }
            Flag::TooShort => {
                "the record holds fewer than five cycles of the tone: capture longer, or test at a higher frequency"
            }
            Flag::WrongFrequency => {
                "the strongest tone on the voltage channel is not near the commanded frequency: check the \
                 source's setting, the cabling and the digitizer's sample rate"
            }
            Flag::MissingSamples => {
                "samples are missing from the record: a channel is empty, the channels differ in length, or \
                 the tone jumps in phase: capture again, and check the digitizer's memory depth and transfer"
            }
            Flag::Dropout => {
                "a stretch of the record is exactly zero or stands still while the tone goes on beside it, as a digitizer \
                 fills in what it lost: capture again, and check its cable, hub and what else uses its connection"
            }
            Flag::FrequencyDrift => {
                "the tone's frequency moved while it was captured, which reads as noise: let the source settle, lock \
                 it to a steady clock, or capture less long"
            }
            Flag::NoDistortion => {
                "this is a record of noise, which tells levels and powers alone: play one tone to read distortion"
            }
            Flag::AdcOverrange => {
                "a channel reached the limits of its converter: choose a larger range, then capture again"
            }
        }
    }

    /// True if the numbers are withheld because of it.
    pub fn refuses(&self) -> bool {
        !matches!(self, Flag::AdcOverrange | Flag::FrequencyDrift | Flag::NoDistortion)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_travel_in_snake_case_and_only_remarks_let_numbers_pass() {
        // Project definition (measurement design, section 1).
        let all = [
            (Flag::NoSignal, "no_signal"),
            (Flag::InvalidSamples, "invalid_samples"),
            (Flag::TooShort, "too_short"),
            (Flag::WrongFrequency, "wrong_frequency"),
            (Flag::MissingSamples, "missing_samples"),
            (Flag::Dropout, "dropout"),
            (Flag::AdcOverrange, "adc_overrange"),
            (Flag::FrequencyDrift, "frequency_drift"),
            (Flag::NoDistortion, "no_distortion"),
        ];
        for (flag, word) in all {
            assert_eq!(serde_json::to_string(&flag).unwrap(), format!("\"{word}\""));
            let remarks = [Flag::AdcOverrange, Flag::FrequencyDrift, Flag::NoDistortion];
            assert_eq!(flag.refuses(), !remarks.contains(&flag));
            assert!(flag.reason().contains(':'), "{word} must say what to do next");
        }
    }
}
