//! What a run does to the bench, as data: the unit of record and of replay.

use serde::{Deserialize, Serialize};
use wattproof_bench::{BurstDrive, NoiseDrive, TwoToneDrive};
use wattproof_signal::TwoToneSettings;

use crate::captures::CaptureRef;

/// One act on the bench.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "act", rename_all = "snake_case")]
pub enum Act {
    /// Samples per channel of the next captures.
    Samples {
        /// How many.
        samples: usize,
    },
    /// Which channels are driven: the first so many.
    Driven {
        /// How many.
        channels: usize,
    },
    /// Load of every channel.
    Load {
        /// Resistance, ohm.
        load_ohm: f64,
    },
    /// Supply voltage.
    Supply {
        /// Setpoint, V.
        volts_v: f64,
    },
    /// Supply current limit.
    SupplyLimit {
        /// Limit, A.
        amps_a: f64,
    },
    /// Supply on.
    SupplyOn,
    /// Supply off, read back.
    SupplyOff,
    /// Source frequency.
    Frequency {
        /// Frequency, Hz.
        hz: f64,
    },
    /// Source level, one tone.
    Level {
        /// Level, V rms.
        level_vrms: f64,
    },
    /// Bursts.
    Burst(BurstDrive),
    /// Two tones.
    TwoTone(TwoToneDrive),
    /// Noise.
    Noise(NoiseDrive),
    /// Source off and a wait for the load to cool, if it must before it can take a level for so long.
    RestLoad {
        /// The level, V rms.
        level_vrms: f64,
        /// Mean power of bursts over that of their loud part; 1 for a steady tone.
        share: f64,
        /// How long, s.
        seconds: f64,
    },
    /// Source on.
    SourceOn,
    /// Source off, read back.
    SourceOff,
    /// Wait until every change has settled.
    Settle,
    /// Wait.
    Wait {
        /// How long, s.
        seconds: f64,
    },
    /// Heatsink temperature.
    Heatsink,
    /// Temperature of the room's air.
    Ambient,
    /// A capture of the usual length.
    Capture {
        /// Frequency commanded, Hz.
        hz: f64,
    },
    /// A capture of the usual length, and another source level while its samples travel.
    CaptureThen {
        /// Frequency commanded, Hz.
        hz: f64,
        /// The level after it, V rms.
        next_vrms: f64,
    },
    /// A capture of a length of its own.
    CaptureShort {
        /// Frequency commanded, Hz.
        hz: f64,
        /// Length, s.
        record_s: f64,
    },
    /// A capture of a whole burst.
    CaptureBurst {
        /// Frequency commanded, Hz.
        hz: f64,
    },
    /// Somebody types.
    Typed,
    /// A capture of noise.
    CaptureNoise,
    /// A capture of outputs that nobody drives.
    CaptureIdle,
    /// A capture of two tones.
    CaptureTwoTone {
        /// How it is read.
        settings: TwoToneSettings,
    },
}

impl Act {
    /// Whether it can put energy into the bench, or more of it than before: then its intent must be on the disk first.
    pub fn energises(&self) -> bool {
        matches!(
            self,
            Act::Load { .. }
                | Act::Supply { .. }
                | Act::SupplyLimit { .. }
                | Act::SupplyOn
                | Act::Frequency { .. }
                | Act::Level { .. }
                | Act::CaptureThen { .. }
                | Act::Burst(_)
                | Act::TwoTone(_)
                | Act::Noise(_)
                | Act::SourceOn
        )
    }

    /// Whether its outcome must be on the disk before anything follows from it. That of a capture is there with the first
    /// line that is computed from it: nobody sees anything of it before, and to sync twice would make each step wait
    /// for the disk twice.
    pub fn tells(&self) -> bool {
        matches!(self, Act::Heatsink | Act::Typed | Act::RestLoad { .. } | Act::Ambient)
    }
}

/// What came of an act.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Told {
    /// It was done; it tells nothing.
    Done,
    /// Heatsink, °C.
    HeatsinkC(f64),
    /// What was typed; absent at the end.
    Typed(Option<String>),
    /// The load may have the level.
    Rested {
        /// How long was waited with the source off, s; 0 when nothing was switched.
        rested_s: f64,
        /// How long it may have it from then on, s.
        room_s: f64,
    },
    /// Air of the room, °C; absent where nothing measures it.
    AmbientC(Option<f64>),
    /// A capture.
    Captured {
        /// Where its samples are kept.
        capture: CaptureRef,
        /// How long before the act's end it was complete with the readings that belong to it, s: a slow link may carry
        /// its samples for long.
        #[serde(default)]
        ago_s: f64,
        /// Supply voltage, V.
        supply_v: Option<f64>,
        /// Supply current, A.
        supply_a: Option<f64>,
        /// Heatsink, °C.
        heatsink_c: Option<f64>,
        /// The temperatures of the bench file in its order, °C.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        further_c: Vec<Option<f64>>,
    },
}
