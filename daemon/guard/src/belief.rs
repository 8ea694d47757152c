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
    /// Read back as off since the last energising message, with nothing since that makes the read-back doubtful.
    Off,
    /// Commanded on.
    On,
    /// Not read back, read-back failed, step or link lost since, or a measurement speaks against it; treated as on.
    Unknown,
}

impl Belief {
    /// Whether the output must be treated as live.
    pub fn may_be_live(self) -> bool {
        self != Belief::Off
    }
}

/// What happened to an instrument that makes everything believed of its output doubtful.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// Question and answer fell out of step (time-out, garbage, surplus bytes) and were brought together again.
    Step,
    /// The link was opened anew.
    Reconnected,
    /// The instrument was switched on since it was last asked (power-on status bit).
    Rebooted,
}

impl std::fmt::Display for Doubt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Doubt::Step => "lost step with its answers",
            Doubt::Reconnected => "was reconnected",
            Doubt::Rebooted => "was switched off and on, or restarted by itself",
        })
    }
}

/// What is known about one output.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Known {
    /// When it was last read back as off; none since the last energising message or doubt.
    off_s: Option<f64>,
    on: bool,
    /// A measurement showed it live although it had been read back as off. Only a measurement lifts this.
    contradicted: bool,
}

impl Known {
    pub fn belief(&self) -> Belief {
        match self {
            Known { contradicted: false, off_s: Some(_), .. } => Belief::Off,
            Known { contradicted: false, on: true, .. } => Belief::On,
            _ => Belief::Unknown,
        }
    }

    /// Since when it is believed off.
    pub fn off_s(&self) -> Option<f64> {
        self.off_s.filter(|_| !self.contradicted)
    }

    pub fn switched_on(&mut self) {
        *self = Known { off_s: None, on: true, contradicted: self.contradicted };
    }

    /// A second read-back in a row leaves the time of the first.
    pub fn read_back(&mut self, now_s: f64, off: bool) {
        self.off_s = off.then(|| self.off_s.unwrap_or(now_s));
        self.on = false;
    }

    pub fn doubted(&mut self) {
        (self.off_s, self.on) = (None, false);
    }

    /// After a clock ran back.
    pub fn rebase(&mut self, now_s: f64) {
        self.off_s = self.off_s.map(|_| now_s);
    }

    pub fn contradict(&mut self) {
        self.contradicted = true;
    }

    pub fn measured_dead(&mut self) {
        self.contradicted = false;
    }
}
