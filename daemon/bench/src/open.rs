//! Opens a bench: links, identities, and every output confirmed off before anything may be energised.

use std::sync::atomic::AtomicUsize;
use std::sync::{Arc, Mutex};

use serde::Serialize;
use wattproof_guard::{Guard, Limits, Output, State};
use wattproof_link::{Address, Link, LinkError};

use crate::acquire::acquisition;
use crate::clock::{Clock, WallClock};
use crate::connect::Opener;
use crate::shared::{Actors, SUPPLY_OUTPUT, Shared};
use crate::stop::StopState;
use crate::turn::Turn;
use crate::{Actor, BenchError, BenchFile, Stopper, watch};

/// How long outputs may take to be confirmed off before the alarm, s.
const OFF_DEADLINE_S: f64 = 3.0;

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

/// An open bench. Dropping it makes it safe.
pub struct Bench {
    pub(crate) shared: Arc<Shared>,
    identities: Vec<Identity>,
    source_vrms_max: f64,
    _watch: watch::Threads,
}

impl Bench {
    /// Opens every link of a bench file, identifies every instrument, switches every output off and reads it back.
    ///
    /// # Errors
    /// [`BenchError`], naming instrument and port. Outputs that could be reached are off.
    pub fn open(file: BenchFile) -> Result<Self, BenchError> {
        Self::open_with(file, Parts::default())
    }

    /// As [`Bench::open`], on another clock and over links that are opened another way.
    ///
    /// # Errors
    /// As [`Bench::open`].
    pub fn open_with(file: BenchFile, parts: Parts) -> Result<Self, BenchError> {
        let Parts { clock, opens } = parts;
        let mut opener = Opener { opens, identities: Vec::new(), cancellers: Vec::new() };
        refuse_shared_ports(&file)?;
        // Source and supply first: if a later instrument is missing, what can hurt is off already.
        let mut source = opener.source(&file)?;
        opener.check(source.safe_off())?;
        // A run that was cut off may have left bursts set.
        opener.check(source.set_continuous())?;
        let first = file.source.outputs.first().copied().unwrap_or(1);
        let source_vrms_max = opener.check(source.vrms_max(first))?.unwrap_or(file.limits.source_vrms_max);
        let mut supply = opener.supply(&file)?;
        opener.check(supply.safe_off())?;
        opener.check(supply.set_limit_a(SUPPLY_OUTPUT, file.limits.supply_a_max))?;
        opener.check(supply.set_protection_v(SUPPLY_OUTPUT, file.limits.supply_v_max))?;
        let load = opener.load(&file)?;
        let mut digitizer = opener.digitizer(&file)?;
        opener.check(digitizer.configure(&acquisition(&file, file.digitizer.samples)))?;
        let thermometer = opener.thermometer(&file)?;
        let stop = Arc::new(StopState::new(&clock, opener.cancellers));
        let mut guard = Guard::new(file.limits, OFF_DEADLINE_S);
        guard.confirm(clock.now_s(), Output::Source, true);
        guard.confirm(clock.now_s(), Output::Supply, true);
        let shared = Arc::new(Shared {
            guard: Mutex::new(guard),
            actors: Actors {
                source: Actor::start(&clock, "source", source)?,
                load: Actor::start(&clock, "load", load)?,
                supply: Actor::start(&clock, "supply", supply)?,
                digitizer: Actor::start(&clock, "digitizer", digitizer)?,
                thermometer: Actor::start(&clock, "thermometer", thermometer)?,
            },
            stop,
            report: Turn::new(&*clock, None),
            settle_until_s: Mutex::new(0.0),
            level_vrms: Mutex::new(0.0),
            playing: Mutex::default(),
            driven: AtomicUsize::new(file.source.outputs.len()),
            samples: AtomicUsize::new(file.digitizer.samples),
            capturing: Turn::new(&*clock, ()),
            clock,
            file,
        });
        let watch = watch::start(&shared)?;
        Ok(Bench { shared, identities: opener.identities, source_vrms_max, _watch: watch })
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

    /// Seconds since the bench was opened.
    pub fn now_s(&self) -> f64 {
        self.shared.clock.now_s()
    }

    /// A handle that switches everything off from any thread.
    pub fn stopper(&self) -> Stopper {
        Stopper::new(Arc::clone(&self.shared.stop))
    }
}

fn refuse_shared_ports(file: &BenchFile) -> Result<(), BenchError> {
    let links = [
        ("source", &file.source.link),
        ("load", &file.load.link),
        ("supply", &file.supply.link),
        ("digitizer", &file.digitizer.link),
        ("thermometer", &file.thermometer.link),
    ];
    for (index, (role, link)) in links.iter().enumerate() {
        if let Some((other, _)) = links.iter().skip(index + 1).find(|(_, other)| other == link) {
            return Err(BenchError::Setup(format!(
                "bench file {}: [{role}] and [{other}] have the same link {link}: give each instrument its own",
                file.origin.place(&format!("{role}.link"), "serial")
            )));
        }
    }
    Ok(())
}
