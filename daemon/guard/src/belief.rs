//! What the guard believes about each output; UNKNOWN counts as ON.

use serde::{Deserialize, Serialize};

/// An output that can carry energy.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Output {
    /// The signal source's outputs, all of them.
    Source,
    /// The bench supply's output.
    Supply,
}

impl Output {
    /// Every output, in the order in which the safe sequence switches them off: source first, then supply.
    pub const SAFE_ORDER: [Output; 2] = [Output::Source, Output::Supply];
}

impl std::fmt::Display for Output {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Output::Source => "source",
            Output::Supply => "supply",
        })
    }
}

/// Belief about one output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Belief {
    /// Read back as off since the last energising message.
    Off,
    /// Commanded on.
    On,
    /// Not read back yet, or read-back failed; treated as on.
    Unknown,
}

impl Belief {
    /// Whether the output must be treated as live.
    pub fn may_be_live(self) -> bool {
        self != Belief::Off
    }
}
