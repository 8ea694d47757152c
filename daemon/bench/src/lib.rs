//! The bench: one actor per instrument behind the guard.
//!
//! In come commands in amplifier terms (level, load, supply, capture) from `daemon/runs`; out go readings,
//! with the raw capture they were computed from. Every command that can energise passes the guard first, every
//! reading is judged by it, and every failure ends in the safe state: source off, supply off, load left
//! connected, read back, measured. Only `daemon/runs` and `daemon/app` may call it. It must not know scripts,
//! ratings or files other than the bench file.

mod bench_file;
mod clock;
mod error;
mod open;
mod operation;
mod readings;
mod safety;
mod shared;
mod wire;

pub use bench_file::bridge_place::BridgePlace;
pub use bench_file::calibration::{Calibration, CalibrationState};
pub use bench_file::channels::{CalibratedChannel, Measures};
pub use bench_file::file::{
    BenchFile, BenchFileError, DigitizerPlace, SourcePlace, SupplyPlace, ThermometerPlace,
};
pub use bench_file::load_place::{LoadPlace, NoSuchLoad};
pub use clock::{Clock, Signal, WallClock};
pub use error::BenchError;
pub use open::{Bench, Extras, Identity, OpenLink, Parts};
pub use operation::arming::Arming;
pub use operation::drives::{BurstDrive, NoiseDrive, NoiseKind, TwoToneDrive};
pub use readings::captured::{Captured, ChannelCaptured, read_channels};
pub use readings::sight::{Outputs, Sight, Sights};
pub use safety::contactor::{ContactorLine, ContactorPlace};
pub use safety::heart::Safeguards;
pub use safety::latch::{LATCH_FILE, Latch, LatchError, read_latch};
pub use safety::off::CutUpstream;
pub use wire::actor::Actor;
pub use wire::connect::{check_dialects, find_dialect};
pub use wire::links::find_alone;

pub use bench_file::place::{Origin, toml_place};
pub use bench_file::temperature_place::{TemperaturePlace, Watches};
pub use bench_file::unfilled::{UNFILLED, Unfilled};
pub use operation::record::{BurstCaptured, NoiseCaptured, TwoToneCaptured};
pub use operation::rest::Rested;
pub use safety::pulse::SignsOfLife;
pub use safety::report::SafeReport;
pub use safety::reset::Standing;
pub use safety::stop::Stopper;
