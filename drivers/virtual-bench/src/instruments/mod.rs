//! SCPI instruments around the simulated amplifier, without I/O and without a clock.
//!
//! Comes in: bytes of a controller and the time in seconds. Goes out: reply bytes. Who may call it: the
//! pseudo-terminal server ([`crate::serve`]) and tests in virtual time ([`Bench::links`]).
//!
//! All five share one [`Stand`], the amplifier with everything that hangs on it. Nothing here waits: a record
//! is simulated on a thread of its own while the time it covers passes, and nobody is held up by it.

mod celsius;
mod device;
mod digitizer;
mod front_end;
mod load;
mod record;
mod setting;
mod source;
mod stand;
mod supply;
mod thermometer;
mod watchdog;

use std::sync::Arc;
use std::time::Duration;

use serde::Deserialize;
use thiserror::Error;
use wattproof_link::{CallLink, VirtualClock};
use wattproof_scpi::tree::TreeError;

pub(crate) use device::Body;
pub use device::VirtualInstrument;
pub use front_end::{FrontEnd, FrontEndChannel, Quantity};
pub use stand::{Compute, Stand};

use crate::World;
use crate::converter::ConverterError;

/// What an instrument does on the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Sine source with an output for each channel of the amplifier.
    Source,
    /// Resistive load with as many channels.
    Load,
    /// Dc supply.
    Supply,
    /// Digitizer with two inputs for each channel of the amplifier.
    Digitizer,
    /// Thermometer.
    Thermometer,
}

impl Role {
    /// All roles, in the order of [`Bench::instruments`].
    pub const ALL: [Role; 5] = [Role::Source, Role::Load, Role::Supply, Role::Digitizer, Role::Thermometer];

    /// The role's name as a bench file writes it.
    pub fn name(self) -> &'static str {
        match self {
            Role::Source => "source",
            Role::Load => "load",
            Role::Supply => "supply",
            Role::Digitizer => "digitizer",
            Role::Thermometer => "thermometer",
        }
    }
}

impl std::fmt::Display for Role {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

/// Why a bench could not be set up.
#[derive(Debug, Error)]
pub enum BenchError {
    /// The digitizer cannot be built as asked.
    #[error("the digitizer cannot be set up: {0}")]
    Converter(#[from] ConverterError),
    /// A command table contradicts itself.
    #[error("an instrument's command table is faulty: {0}; this is a mistake in this crate, report it")]
    Commands(#[from] TreeError),
}

/// The five instruments around one amplifier.
pub struct Bench {
    /// The instruments, in the order of [`Role::ALL`].
    pub instruments: Vec<VirtualInstrument>,
    /// The digitizer's analogue front end.
    pub front_end: FrontEnd,
    /// What the instruments share.
    pub stand: Arc<Stand>,
}

/// Puts the five instruments around `world`. `seed` decides their serial numbers, their calibration errors and
/// their noise; `bits` is the converter's width (12, 16 or 24); `compute` says where records are simulated.
///
/// The instruments start in their reset state: outputs off, loads not connected.
///
/// # Errors
/// [`BenchError::Converter`] for a width that does not exist.
pub fn bench(world: World, seed: u64, bits: u32, compute: Compute) -> Result<Bench, BenchError> {
    let front_end = FrontEnd::new(world.spec().channels(), seed, bits)?;
    bench_with(world, front_end, seed, compute)
}

/// The same with a front end of one's own.
///
/// # Errors
/// [`BenchError::Commands`], should this crate be at fault.
pub fn bench_with(
    world: World,
    front_end: FrontEnd,
    seed: u64,
    compute: Compute,
) -> Result<Bench, BenchError> {
    let stand = Arc::new(Stand::new(world, seed, compute));
    let instruments = vec![
        source::instrument(Arc::clone(&stand), seed)?,
        load::instrument(Arc::clone(&stand), seed)?,
        supply::instrument(Arc::clone(&stand), seed)?,
        digitizer::instrument(Arc::clone(&stand), &front_end, seed)?,
        thermometer::instrument(Arc::clone(&stand), seed)?,
    ];
    Ok(Bench { instruments, front_end, stand })
}

impl Bench {
    /// Turns the instruments into links in virtual time, all on `clock`; a wait asks them every millisecond.
    pub fn links(self, clock: &VirtualClock) -> Vec<(Role, CallLink)> {
        let step = Duration::from_millis(1);
        self.instruments
            .into_iter()
            .map(|mut instrument| {
                let role = instrument.role();
                let responder =
                    Box::new(move |bytes: &[u8], at: Duration| instrument.handle(bytes, at.as_secs_f64()));
                (role, CallLink::polled(role.name(), clock.clone(), step, responder))
            })
            .collect()
    }
}

impl std::fmt::Debug for Bench {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Bench").field("front_end", &self.front_end).finish_non_exhaustive()
    }
}

/// Spreads a seed into independent ones, one for each `lane` (SplitMix64's finaliser).
pub(crate) fn mix(seed: u64, lane: u64) -> u64 {
    let mut x = seed.wrapping_add(lane.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
    x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    x ^ (x >> 31)
}
