//! What the threads of an open bench share.

use std::ops::{Deref, DerefMut};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, Weak};
use std::time::Duration;

use wattproof_guard::{Guard, SafetyReading, Trip};
use wattproof_instruments::{Digitizer, Load, Source, Supply, Thermometer};
use wattproof_link::Canceller;

use crate::clock::Clock;
use crate::operation::drives::Playing;
use crate::readings::sight::Latest;
use crate::readings::temperatures::ReadAt;
use crate::safety::contactor::Contactor;
use crate::safety::heart::Watched;
use crate::safety::latch::Keeper;
use crate::safety::lent::{Lent, LentGuard};
use crate::safety::off::CutUpstream;
use crate::safety::pulse::Pulse;
use crate::safety::stop::StopState;
use crate::safety::turn::Turn;
use crate::safety::unasked::Commanded;
use crate::{Actor, BenchFile, SafeReport};

/// The supply output that feeds the amplifier.
pub(crate) const SUPPLY_OUTPUT: u32 = 1;

/// The actors of a bench.
pub(crate) struct Actors {
    pub source: Actor<Source>,
    /// None where nobody sets the load.
    pub load: Option<Actor<Load>>,
    pub supply: Actor<Supply>,
    pub digitizer: Actor<Digitizer>,
    pub thermometer: Actor<Thermometer>,
}

/// What the bench's threads share.
pub(crate) struct Shared {
    /// Itself, for work that is handed to an instrument's thread.
    pub me: Weak<Shared>,
    pub file: BenchFile,
    pub guard: Lent<Guard>,
    pub clock: Arc<dyn Clock>,
    pub actors: Actors,
    pub stop: Arc<StopState>,
    pub contactor: Contactor,
    /// Signs of life of the safety loop.
    pub pulse: Arc<Pulse>,
    pub watched: Watched,
    /// What interrupts source and supply, for an OFF that must not wait for what is under way there.
    pub off_cancellers: [Canceller; 2],
    /// What lies upstream of the supply, if the bench can cut it.
    pub cut_upstream: Option<CutUpstream>,
    /// Keeps trips that outlast a restart.
    pub latch: Keeper,
    /// How the last trip was carried out.
    pub report: Turn<Option<SafeReport>>,
    pub settle_until_s: Mutex<f64>,
    /// The temperatures of the bench file as last read.
    pub further: Mutex<Vec<ReadAt>>,
    /// The last values that the guard was told.
    pub latest: Latest,
    /// The loudest level that the source plays, V rms.
    pub level_vrms: Mutex<f64>,
    pub playing: Mutex<Playing>,
    pub commanded: Mutex<Commanded>,
    /// How often the bench was armed.
    pub armings: AtomicU64,
    pub driven: AtomicUsize,
    pub samples: AtomicUsize,
    /// One capture or safe-state check at a time.
    pub capturing: Turn<()>,
    /// A run that ends and a reset wait for each other: neither may change what the other reports.
    pub ending: Turn<()>,
}

impl Shared {
    pub fn guard(&self) -> Guarding<'_> {
        Guarding { guard: self.guard.lock(), latch: &self.latch, latest: &self.latest }
    }

    /// How long nothing is said to an instrument that did not confirm its OFF: longer than its watchdog's delay, which
    /// any traffic may feed.
    pub fn silence(&self) -> Duration {
        let watchdog_s = 1.2 * self.watchdog_s();
        Duration::from_secs_f64(watchdog_s.clamp(0.5, 60.0))
    }

    /// Delay of the instruments' watchdogs, s: twice what the guard tolerates, so that the guard trips first.
    pub fn watchdog_s(&self) -> f64 {
        2.0 * self.guard().limits().reading_age_s_max
    }

    pub fn driven(&self) -> usize {
        self.driven.load(Ordering::Relaxed)
    }
}

/// The guard, for as long as it is held. Whoever lets go of it hands over a trip that came meanwhile to be kept: nobody
/// can have learnt of one that is not on its way to the disk.
pub(crate) struct Guarding<'a> {
    guard: LentGuard<'a, Guard>,
    latch: &'a Keeper,
    latest: &'a Latest,
}

impl Guarding<'_> {
    /// Judges a reading, and keeps its values for whoever watches.
    pub fn observe(&mut self, now_s: f64, reading: &SafetyReading) -> Option<Trip> {
        self.latest.keep(reading);
        self.guard.observe(now_s, reading)
    }
}

impl Deref for Guarding<'_> {
    type Target = Guard;

    fn deref(&self) -> &Guard {
        &self.guard
    }
}

impl DerefMut for Guarding<'_> {
    fn deref_mut(&mut self) -> &mut Guard {
        &mut self.guard
    }
}

impl Drop for Guarding<'_> {
    fn drop(&mut self) {
        self.latch.look_at(&self.guard);
    }
}
