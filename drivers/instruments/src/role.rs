//! What an instrument is for on the bench.

use std::fmt;

use serde::{Deserialize, Serialize};

/// What an instrument is for on the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Makes the test tone.
    Source,
    /// Takes the amplifier's output power.
    Load,
    /// Feeds the amplifier.
    Supply,
    /// Samples voltages and currents.
    Digitizer,
    /// Watches the heatsink.
    Thermometer,
}

impl Role {
    /// All roles.
    pub const ALL: [Role; 5] = [Role::Source, Role::Load, Role::Supply, Role::Digitizer, Role::Thermometer];

    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Role::Source => "source",
            Role::Load => "load",
            Role::Supply => "supply",
            Role::Digitizer => "digitizer",
            Role::Thermometer => "thermometer",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}
