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
