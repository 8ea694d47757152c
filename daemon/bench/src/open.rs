//! Opens a bench: links, identities, and every output confirmed off before anything may be energised.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, AtomicUsize};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use serde::Serialize;
use wattproof_guard::{Guard, Limits, Output, Ratings, State};
use wattproof_guardian::Held;
use wattproof_link::{Address, Link, LinkError};

use crate::clock::{Clock, WallClock};
use crate::readings::acquire::acquisition;
use crate::readings::sight::{Latest, Sights};
use crate::readings::temperatures::watched;
use crate::safety::contactor::Contactor;
use crate::safety::heart::{Safeguards, Watched};
use crate::safety::latch::{Keeper, Latch};
use crate::safety::lent::Lent;
use crate::safety::off::CutUpstream;
use crate::safety::off::OFF_DEADLINE_S;
use crate::safety::pulse::{Pulse, SignsOfLife};
use crate::safety::stop::StopState;
use crate::safety::turn::Turn;
use crate::safety::{heart, may_send, watch};
use crate::shared::{Actors, SUPPLY_OUTPUT, Shared};
use crate::wire::connect::{Opener, check_temperatures, taps_ohm};
use crate::wire::links::Links;
use crate::{Actor, BenchError, BenchFile, Stopper};

/// Who answered in a role.
#[derive(Debug, Clone, Serialize)]
pub struct Identity {
    /// The role.
    pub role: &'static str,
    /// Port or address.
    pub link: String,
    /// Its dialect.
    pub dialect: String,
    /// Answer to `*IDN?`.
    pub idn: String,
}

/// Opens the link to one instrument.
pub type OpenLink = Box<dyn Fn(&Address) -> Result<Box<dyn Link>, LinkError> + Send + Sync>;

/// What a bench stands on.
pub struct Parts {
    /// The clock by which everything on the bench waits.
    pub clock: Arc<dyn Clock>,
    /// How the links of the bench file are opened.
    pub opens: OpenLink,
}

impl Default for Parts {
    /// The machine's clock, real ports and sockets.
    fn default() -> Self {
        Parts { clock: Arc::new(WallClock::default()), opens: Box::new(wattproof_link::open) }
    }
}

/// What a bench can have beyond its file.
#[derive(Default)]
pub struct Extras {
    /// Where trips that outlast a restart are kept, one folder for each bench. Without one a restart forgets them.
    pub state_folder: Option<PathBuf>,
    /// What cuts everything upstream of the supply.
    pub cut_upstream: Option<CutUpstream>,
    /// What switches off when this process dies or hangs.
    pub safeguards: Safeguards,
}

/// An open bench. Dropping it makes it safe.
pub struct Bench {
    pub(crate) shared: Arc<Shared>,
    identities: Vec<Identity>,
    source_vrms_max: f64,
    /// A trip that stood when the bench was opened, until it is reset.
    latched: Mutex<Option<Latch>>,
    _watch: watch::Threads,
    // After the watch: the guardian is let go when everything is off.
    _heart: heart::Heart,
    // Last: nobody else may open the ports before everything here has let go of them.
    _held: Vec<Held>,
}

impl Bench {
    /// Opens every link of a bench file, identifies every instrument, switches every output off and reads it back.
    ///
    /// # Errors
    /// [`BenchError`], naming instrument and port. Outputs that could be reached are off.
    pub fn open(file: BenchFile) -> Result<Self, BenchError> {
        Self::open_with_extras(file, Extras::default())
    }

    /// The same, with what switches off when this process dies or hangs.
    ///
    /// # Errors
    /// Those of [`Bench::open`]; the guardian can't be started.
    pub fn open_guarded(file: BenchFile, safeguards: Safeguards) -> Result<Self, BenchError> {
        Self::open_with_extras(file, Extras { safeguards, ..Extras::default() })
    }

    /// The same, with what a bench can have beyond its file. A trip that stands in the state folder is taken over:
    /// everything is switched off and can be measured, and nothing be armed until it is reset.
    ///
    /// # Errors
    /// As [`Bench::open`]; [`BenchError::Latch`] when the state folder can't be read; [`BenchError::Setup`], at once and
    /// naming the other, when another process has this bench or a port of it open.
    pub fn open_with_extras(file: BenchFile, extras: Extras) -> Result<Self, BenchError> {
        Self::open_on(Links::of(&file, true)?, file, extras, Parts::default())
    }

    /// The same, on another clock and over links that are opened another way, without keeping other processes out.
    ///
    /// # Errors
    /// As [`Bench::open_with_extras`].
    pub fn open_with(file: BenchFile, extras: Extras, parts: Parts) -> Result<Self, BenchError> {
        Self::open_on(Links::of(&file, false)?, file, extras, parts)
    }

    fn open_on(links: Links, mut file: BenchFile, extras: Extras, parts: Parts) -> Result<Self, BenchError> {
        let Extras { state_folder, cut_upstream, safeguards } = extras;
        let Parts { clock, opens } = parts;
        let mut opener = Opener { opens, links, identities: Vec::new(), cancellers: Vec::new() };
        // From here on the file says them, and so does every record: a dialect may change, a record not.
        file.load.taps_ohm = taps_ohm(&file)?;
        check_temperatures(&file)?;
        // Source and supply first, and both told OFF before the failure of either ends this: one that is missing must
        // not keep the other on.
        let source = opener.source(&file).and_then(|mut source| {
            opener.check(source.safe_off())?;
            Ok(source)
        });
        let supply = opener.supply(&file).and_then(|mut supply| {
            opener.check(supply.safe_off())?;
            Ok(supply)
        });
        let (mut source, mut supply) = (source?, supply?);
        // A run that was cut off may have left bursts set.
        opener.check(source.set_continuous())?;
        let first = file.source.outputs.first().copied().unwrap_or(1);
        let rated_vrms = opener.check(source.vrms_max(first))?;
        let source_vrms_max = rated_vrms.unwrap_or(file.limits.source_vrms_max);
        let ratings = Ratings {
            source_vrms_max: rated_vrms,
            supply_v_max: opener.check(supply.v_max(SUPPLY_OUTPUT))?,
            supply_a_max: opener.check(supply.limit_a_max(SUPPLY_OUTPUT))?,
        };
        opener.check(supply.set_limit_a(SUPPLY_OUTPUT, file.limits.supply_a_max))?;
        opener.check(supply.set_protection_v(SUPPLY_OUTPUT, file.limits.supply_v_max))?;
        let load = opener.load(&file)?;
        let mut digitizer = opener.digitizer(&file)?;
        opener.check(digitizer.configure(&acquisition(&file, file.digitizer.samples)))?;
        let thermometer = opener.thermometer(&file)?;
        let guardian = heart::guardian(safeguards.guardian.as_ref(), &source, &supply)?;
        // Only now that source and supply are off: opening its port may raise the line for an instant.
        let contactor = match safeguards.contactor {
            Some(line) => Contactor::over(line),
            None => Contactor::open(file.contactor.as_ref())?,
        };
        let off_cancellers = [source.canceller(), supply.canceller()];
        // Those that are told OFF, and whose readings must be young.
        let actors = Actors {
            source: Actor::start_ahead(&clock, "source", source)?,
            load: load.map(|load| Actor::start(&clock, "load", load)).transpose()?,
            supply: Actor::start_ahead(&clock, "supply", supply)?,
            digitizer: Actor::start(&clock, "digitizer", digitizer)?,
            thermometer: Actor::start_ahead(&clock, "thermometer", thermometer)?,
        };
        let stop = Arc::new(StopState::new(&clock, opener.cancellers));
        // After every OFF: a disk that hangs must not keep an output on.
        let (latch, latched) = Keeper::open(state_folder, &file.name)?;
        let mut guard = match &latched {
            Some(latch) => Guard::restored(file.limits, OFF_DEADLINE_S, nonce_seed(), latch.record.clone()),
            None => Guard::new(file.limits, OFF_DEADLINE_S, nonce_seed()),
        };
        guard.rate(ratings);
        if let Some(duty) = file.load.duty() {
            guard.limit_load(duty);
        }
        guard.load_moves(file.load.loudspeaker);
        guard.watch_temperatures(watched(&file));
        guard.confirm(clock.now_s(), Output::Source, true);
        guard.confirm(clock.now_s(), Output::Supply, true);
        let shared = Arc::new_cyclic(|me| Shared {
            me: me.clone(),
            off_cancellers,
            cut_upstream,
            latch,
            guard: Lent::new(guard),
            actors,
            stop,
            contactor,
            pulse: Arc::new(Pulse::default()),
            watched: Watched::default(),
            report: Turn::new(&*clock, None),
            settle_until_s: Mutex::new(0.0),
            further: Mutex::new(vec![None; file.temperature.len()]),
            latest: Latest::default(),
            level_vrms: Mutex::new(0.0),
            playing: Mutex::default(),
            commanded: Mutex::default(),
            armings: AtomicU64::new(0),
            driven: AtomicUsize::new(file.source.outputs.len()),
            samples: AtomicUsize::new(file.digitizer.samples),
            capturing: Turn::new(&*clock, ()),
            ending: Turn::new(&*clock, ()),
            clock,
            file,
        });
        may_send::ask_before_sending(&shared)?;
        let watch = watch::start(&shared)?;
        let heart = heart::start(&shared, guardian)?;
        Ok(Bench {
            shared,
            identities: opener.identities,
            source_vrms_max,
            latched: Mutex::new(latched),
            _watch: watch,
            _heart: heart,
            _held: opener.links.into_held(),
        })
    }

    /// The bench file.
    pub fn file(&self) -> &BenchFile {
        &self.shared.file
    }

    /// Who answered in each role.
    pub fn identities(&self) -> &[Identity] {
        &self.identities
    }

    /// The limits in force.
    pub fn limits(&self) -> Limits {
        *self.shared.guard().limits()
    }

    /// The guard's state.
    pub fn state(&self) -> State {
        self.shared.guard().state()
    }

    /// Highest level the source itself can give, V rms.
    pub fn source_vrms_max(&self) -> f64 {
        self.source_vrms_max
    }

    /// The trip that stood at opening and was not reset since.
    pub(crate) fn latched(&self) -> MutexGuard<'_, Option<Latch>> {
        self.latched.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Seconds since the bench was opened.
    pub fn now_s(&self) -> f64 {
        self.shared.clock.now_s()
    }

    /// Signs of life of the safety loop, for whoever watches this process.
    pub fn signs_of_life(&self) -> SignsOfLife {
        SignsOfLife::of(&self.shared.pulse)
    }

    /// What a watching person is told of this bench, for as long as it is open.
    pub fn sights(&self) -> Sights {
        Sights::of(&self.shared)
    }

    /// A handle that switches everything off from any thread.
    pub fn stopper(&self) -> Stopper {
        Stopper::new(Arc::clone(&self.shared.stop))
    }
}

/// A number that nobody can guess and that is another at every start: the standard library's hash keys come from the
/// operating system's random numbers.
fn nonce_seed() -> u64 {
    RandomState::new().build_hasher().finish()
}
