//! The bench: one actor per instrument behind the guard.
//!
//! In come commands in amplifier terms (level, load, supply, capture) from `daemon/runs`; out go readings,
//! with the raw capture they were computed from. Every command that can energise passes the guard first, every
//! reading is judged by it, and every failure ends in the safe state: source off, supply off, load left
//! connected, read back, measured. Only `daemon/runs` and `daemon/app` may call it. It must not know scripts,
//! ratings or files other than the bench file.

mod acquire;
mod actor;
mod channels;
mod clock;
mod connect;
mod error;
mod file;
mod open;
mod operate;
mod place;
mod safe;
mod watch;

pub use actor::Actor;
pub use channels::{CalibratedChannel, Measures};
pub use clock::{Clock, WallClock};
pub use connect::{check_dialects, find_dialect};
pub use error::BenchError;
pub use file::{
    BenchFile, BenchFileError, DigitizerPlace, LoadPlace, SourcePlace, SupplyPlace, ThermometerPlace,
};
pub use open::{Bench, Identity};
pub use operate::{Captured, ChannelCaptured};
pub use place::{Origin, toml_place};
pub use safe::{SafeReport, Stopper};
