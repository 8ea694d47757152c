//! The commands that pass the gate, with the quantity that the gate judges.

use serde::{Deserialize, Serialize};

/// A command about to be sent to an instrument; each can put energy into the bench, or more of it than before.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Command {
    /// Source level of every driven output, V rms.
    SourceLevel {
        /// Level in V rms.
        level_vrms: f64,
    },
    /// Bursts of a sine on every driven output; judged by its louder level, however short it sounds.
    SourceBurst {
        /// Level of the burst, V rms.
        level_vrms: f64,
        /// Level between bursts, V rms.
        rest_vrms: f64,
    },
    /// Two tones at once on every driven output; judged by the sum of their levels, which their peaks reach.
    SourceTwoTone {
        /// Level of the first tone, V rms.
        level_vrms: f64,
        /// Level of the second tone, V rms.
        second_vrms: f64,
        /// Frequency of the second tone, Hz.
        second_hz: f64,
    },
    /// Source frequency.
    SourceFrequency {
        /// Frequency in Hz.
        hz: f64,
    },
    /// Source outputs on.
    SourceOn,
    /// Supply set to a voltage.
    SupplyVolts {
        /// Setpoint in V.
        volts_v: f64,
    },
    /// Supply current limit.
    SupplyAmps {
        /// Limit in A.
        amps_a: f64,
    },
    /// Supply output on.
    SupplyOn,
    /// Load resistance of every channel.
    LoadOhm {
        /// Resistance in ohm.
        load_ohm: f64,
    },
}

impl Command {
    /// Noise of a level and a crest factor (peak over rms, as a ratio) on every driven output. It is judged as two tones
    /// are, by the sine that reaches its peaks: its own level, and what its peaks go beyond that. No signal has a crest
    /// factor below 1, and none passes with it.
    pub fn noise(level_vrms: f64, crest: f64) -> Self {
        let beyond = crest * std::f64::consts::FRAC_1_SQRT_2 - 1.0;
        let second_vrms = match crest {
            crest if !(crest >= 1.0) => f64::NAN,
            // `max` would hide a NaN.
            _ if beyond < 0.0 => 0.0,
            _ => level_vrms * beyond,
        };
        Command::SourceTwoTone { level_vrms, second_vrms, second_hz: f64::MIN_POSITIVE }
    }
}
