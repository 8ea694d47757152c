//! The bench: one actor per instrument behind the guard.
//!
//! In come commands in amplifier terms (level, load, supply, capture) from `daemon/runs`; out go readings,
//! with the raw capture they were computed from. Every command that can energise passes the guard first, every
//! reading is judged by it, and every failure ends in the safe state: source off, supply off, load left
//! connected, read back, measured. Only `daemon/runs` and `daemon/app` may call it. It must not know scripts,
//! ratings or files other than the bench file.

mod acquire;
mod actor;
mod arming;
mod bridge_place;
mod calibration;
mod captured;
mod channels;
mod clock;
mod connect;
mod contactor;
mod drives;
mod error;
mod failed;
mod file;
mod heart;
mod latch;
mod lent;
mod links;
mod load_place;
mod may_send;
mod measure;
mod off;
mod open;
mod operate;
mod place;
mod precedence;
mod pulse;
mod record;
mod report;
mod reset;
mod rest;
mod safe;
mod shared;
mod stop;
mod taken;
mod temperature_place;
mod temperatures;
mod turn;
mod unasked;
mod unfilled;
mod watch;

pub use actor::Actor;
pub use arming::Arming;
pub use bridge_place::BridgePlace;
pub use calibration::{Calibration, CalibrationState};
pub use captured::{Captured, ChannelCaptured, read_channels};
pub use channels::{CalibratedChannel, Measures};
pub use clock::{Clock, Signal, WallClock};
pub use connect::{check_dialects, find_dialect};
pub use contactor::{ContactorLine, ContactorPlace};
pub use drives::{BurstDrive, NoiseDrive, NoiseKind, TwoToneDrive};
pub use error::BenchError;
pub use file::{BenchFile, BenchFileError, DigitizerPlace, SourcePlace, SupplyPlace, ThermometerPlace};
pub use heart::Safeguards;
pub use latch::{LATCH_FILE, Latch, LatchError, read_latch};
pub use links::find_alone;
pub use load_place::{LoadPlace, NoSuchLoad};
pub use off::CutUpstream;
pub use open::{Bench, Extras, Identity, OpenLink, Parts};

pub use place::{Origin, toml_place};
pub use pulse::SignsOfLife;
pub use record::{BurstCaptured, NoiseCaptured, TwoToneCaptured};
pub use report::SafeReport;
pub use reset::Standing;
pub use rest::Rested;
pub use stop::Stopper;
pub use temperature_place::{TemperaturePlace, Watches};
pub use unfilled::{UNFILLED, Unfilled};
