//! Opens a bench: links, identities, and every output confirmed off before anything may be energised.

use std::sync::atomic::AtomicUsize;
use std::sync::{Arc, Mutex};

use serde::Serialize;
use wattproof_guard::{Guard, Limits, Output, State};

use crate::acquire::acquisition;
use crate::clock::WallClock;
use crate::connect::Opener;
use crate::contactor::Contactor;
use crate::heart::{Safeguards, Watched};
use crate::pulse::{Pulse, SignsOfLife};
use crate::shared::{Actors, SUPPLY_OUTPUT, Shared};
use crate::stop::StopState;
use crate::{Actor, BenchError, BenchFile, Stopper, heart, watch};

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

/// An open bench. Dropping it makes it safe.
pub struct Bench {
    pub(crate) shared: Arc<Shared>,
    identities: Vec<Identity>,
    source_vrms_max: f64,
    _watch: watch::Threads,
    // After the watch: the guardian is let go when everything is off.
    _heart: heart::Heart,
}

impl Bench {
    /// Opens every link of a bench file, identifies every instrument, switches every output off and reads it back.
    ///
    /// # Errors
    /// [`BenchError`], naming instrument and port. Outputs that could be reached are off.
    pub fn open(file: BenchFile) -> Result<Self, BenchError> {
        Self::open_guarded(file, Safeguards::default())
    }

    /// The same, with what switches off when this process dies or hangs.
    ///
    /// # Errors
    /// Those of [`Bench::open`]; the guardian can't be started.
    pub fn open_guarded(file: BenchFile, safeguards: Safeguards) -> Result<Self, BenchError> {
        let mut opener = Opener::default();
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
        let guardian = heart::guardian(safeguards.guardian.as_ref(), &source, &supply)?;
        // Only now that source and supply are off: opening its port may raise the line for an instant.
        let contactor = match safeguards.contactor {
            Some(line) => Contactor::over(line),
            None => Contactor::open(file.contactor.as_ref())?,
        };
        let stop = Arc::new(StopState::new(opener.cancellers));
        let mut guard = Guard::new(file.limits, OFF_DEADLINE_S);
        guard.confirm(0.0, Output::Source, true);
        guard.confirm(0.0, Output::Supply, true);
        let shared = Arc::new(Shared {
            guard: Mutex::new(guard),
            clock: Box::new(WallClock::default()),
            actors: Actors {
                source: Actor::start("source", source)?,
                load: Actor::start("load", load)?,
                supply: Actor::start("supply", supply)?,
                digitizer: Actor::start("digitizer", digitizer)?,
                thermometer: Actor::start("thermometer", thermometer)?,
            },
            stop,
            contactor,
            pulse: Arc::new(Pulse::default()),
            watched: Watched::default(),
            report: Mutex::new(None),
            settle_until_s: Mutex::new(0.0),
            level_vrms: Mutex::new(0.0),
            playing: Mutex::default(),
            driven: AtomicUsize::new(file.source.outputs.len()),
            samples: AtomicUsize::new(file.digitizer.samples),
            capturing: Mutex::new(()),
            file,
        });
        let watch = watch::start(&shared)?;
        let heart = heart::start(&shared, guardian)?;
        Ok(Bench { shared, identities: opener.identities, source_vrms_max, _watch: watch, _heart: heart })
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

    /// Signs of life of the safety loop, for whoever watches this process.
    pub fn signs_of_life(&self) -> SignsOfLife {
        SignsOfLife::of(&self.shared.pulse)
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
