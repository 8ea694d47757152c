//! What the threads of an open bench share.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use wattproof_guard::Guard;
use wattproof_instruments::{Digitizer, Load, Source, Supply, Thermometer};

use crate::clock::Clock;
use crate::drives::Playing;
use crate::stop::StopState;
use crate::turn::Turn;
use crate::{Actor, BenchFile, SafeReport};

/// The supply output that feeds the amplifier.
pub(crate) const SUPPLY_OUTPUT: u32 = 1;

/// The actors of a bench.
pub(crate) struct Actors {
    pub source: Actor<Source>,
    pub load: Actor<Load>,
    pub supply: Actor<Supply>,
    pub digitizer: Actor<Digitizer>,
    pub thermometer: Actor<Thermometer>,
}

/// What the bench's threads share.
pub(crate) struct Shared {
    pub file: BenchFile,
    pub guard: Mutex<Guard>,
    pub clock: Arc<dyn Clock>,
    pub actors: Actors,
    pub stop: Arc<StopState>,
    /// How the last trip was carried out.
    pub report: Turn<Option<SafeReport>>,
    pub settle_until_s: Mutex<f64>,
    /// The loudest level that the source plays, V rms.
    pub level_vrms: Mutex<f64>,
    pub playing: Mutex<Playing>,
    pub driven: AtomicUsize,
    pub samples: AtomicUsize,
    /// One capture or safe-state check at a time.
    pub capturing: Turn<()>,
}

impl Shared {
    pub fn guard(&self) -> MutexGuard<'_, Guard> {
        self.guard.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub fn driven(&self) -> usize {
        self.driven.load(Ordering::Relaxed)
    }
}
