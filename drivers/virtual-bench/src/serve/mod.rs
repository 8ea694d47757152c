//! The simulated bench on pseudo-terminals, in wall time: what a controller opens like serial ports.
//!
//! Comes in: an amplifier description, a seed, an optional line speed. Goes out: one port path per instrument.
//! One thread per instrument owns its terminal; nothing else touches it. Who may call it: the command line and
//! end-to-end tests. Linux only.

mod pace;
mod port;
mod terminal;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Instant;

use rustix::event::{EventfdFlags, eventfd};
use thiserror::Error;

use self::pace::Pacer;
use self::port::Port;
use self::terminal::Terminal;
use crate::faults::{Fault, PortFaults};
use crate::instruments::{BenchError, Compute, FrontEnd, Role, bench};
use crate::load::{Load, LoadError, ThieleSmall};
use crate::{AmplifierSpec, BridgeInputs, LoadStands, Manner, World};

/// How to set up a served bench.
#[derive(Debug, Clone)]
pub struct VirtualBenchOptions {
    /// The amplifier on the bench.
    pub amplifier: AmplifierSpec,
    /// Decides noise, calibration errors and serial numbers.
    pub seed: u64,
    /// Line speed to keep to in both directions, baud (10 bits per byte); `None` is as fast as it goes.
    pub pace_baud: Option<u32>,
    /// Width of the digitizer's converter: 12, 16 or 24 bits.
    pub bits: u32,
    /// Manners of instruments that do not behave as SCPI has it, one for a role.
    pub manners: Vec<Manner>,
    /// Resistors of so many ohm on every output in place of a load that can be set.
    pub fixed_load_ohm: Option<f64>,
    /// A loudspeaker on every output in place of a load that can be set.
    pub speaker: Option<ThieleSmall>,
    /// What looks at the bridges, where channels 1 and 2, 3 and 4 and so on are bridged.
    pub bridged: Option<BridgeInputs>,
    /// What the loads stand before their own protection cuts them off; `None` is anything.
    pub load_stands: Option<LoadStands>,
}

/// Why a bench could not be served.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The instruments cannot be set up.
    #[error("the simulated bench cannot be set up: {0}")]
    Bench(#[from] BenchError),
    /// A line speed that cannot be.
    #[error("a line speed of 0 baud lets no byte through; leave it out or give one such as 115200")]
    Pace,
    /// Two manners for one instrument.
    #[error("the {role} has two manners, {first} and {second}: keep one")]
    Manners {
        /// Which instrument.
        role: Role,
        /// One of them.
        first: String,
        /// The other.
        second: String,
    },
    /// Faults strike messages of SCPI.
    #[error("faults on the {role} need it to speak SCPI: leave out its manner {manner}, or those faults")]
    Faults {
        /// Which instrument.
        role: Role,
        /// Its manner.
        manner: String,
    },
    /// A fault of what is not there.
    #[error("a fault would strike {what}: correct it, or serve another amplifier")]
    NothingThere {
        /// What.
        what: String,
    },
    /// An amplifier that has a channel too many for bridges.
    #[error(
        "an amplifier of {channels} channels can't be bridged in pairs: leave out --bridged, or serve another amplifier"
    )]
    OddBridges {
        /// Its channels.
        channels: usize,
    },
    /// Resistors that can't be.
    #[error(transparent)]
    Load(#[from] LoadError),
    /// Something is asked of a load that isn't served.
    #[error("with resistors for a load there is no load to have {what}: leave out one of both")]
    NoLoad {
        /// What.
        what: &'static str,
    },
    /// The system gave no pseudo-terminal.
    #[error("no pseudo-terminal for the {role}: {doing} failed, {source}; {remedy}")]
    Terminal {
        /// For which instrument.
        role: Role,
        /// Which step failed.
        doing: &'static str,
        /// What to do about it.
        remedy: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// The system gave no thread.
    #[error("no thread for the {role}: {source}; raise the limit on processes (ulimit -u)")]
    Thread {
        /// For which instrument.
        role: Role,
        /// What the system said.
        source: std::io::Error,
    },
}

/// One instrument's port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortInfo {
    /// What the instrument does.
    pub role: Role,
    /// Path to open.
    pub path: String,
    /// Its answer to `*IDN?`.
    pub idn: String,
    /// The name of its manner, if it has one.
    pub manner: Option<String>,
}

/// A bench that is being served; dropping it stops it.
#[derive(Debug)]
pub struct VirtualBench {
    ports: Vec<PortInfo>,
    front_end: FrontEnd,
    bridged: Option<BridgeInputs>,
    stop: Arc<Stop>,
    threads: Vec<JoinHandle<()>>,
}

/// Tells the threads to end.
#[derive(Debug)]
struct Stop {
    raised: AtomicBool,
    /// Readable for ever once raised; every thread polls it.
    wake: std::os::fd::OwnedFd,
}

impl VirtualBench {
    /// Serves a cold amplifier with everything off, from now on.
    ///
    /// # Errors
    /// [`ServeError`]; nothing is left running then.
    pub fn start(options: VirtualBenchOptions) -> Result<Self, ServeError> {
        Self::start_with_faults(options, &[])
    }

    /// The same, with faults that strike as they say.
    ///
    /// # Errors
    /// As [`VirtualBench::start`].
    pub fn start_with_faults(options: VirtualBenchOptions, faults: &[Fault]) -> Result<Self, ServeError> {
        if options.pace_baud == Some(0) {
            return Err(ServeError::Pace);
        }
        for (index, manner) in options.manners.iter().enumerate() {
            let (role, second) = (manner.role, manner.name.clone());
            if let Some(first) = options.manners.iter().take(index).find(|other| other.role == role) {
                return Err(ServeError::Manners { role, first: first.name.clone(), second });
            }
            if faults.iter().any(|fault| fault.port == role) {
                return Err(ServeError::Faults { role, manner: second });
            }
        }
        let channels = options.amplifier.channels();
        if let Some(what) = faults.iter().find_map(|fault| fault.what.misses(channels)) {
            return Err(ServeError::NothingThere { what });
        }
        if options.bridged.is_some() && !channels.is_multiple_of(2) {
            return Err(ServeError::OddBridges { channels });
        }
        let speakers = options.speaker.map(Load::loudspeaker).transpose()?;
        let resistors = options.fixed_load_ohm.map(Load::resistive).transpose()?;
        // Either is a load that nobody sets.
        let resistors = speakers.or(resistors);
        if resistors.is_some() {
            let has = |what| Err(ServeError::NoLoad { what });
            if options.manners.iter().any(|manner| manner.role == Role::Load) {
                return has("a manner");
            }
            if faults.iter().any(|fault| fault.port == Role::Load) {
                return has("faults");
            }
        }
        let mut world = World::new(options.amplifier, options.seed);
        if let Some(inputs) = options.bridged {
            world = world.bridge(inputs);
        }
        if let Some(stands) = options.load_stands {
            world.load_stands(stands);
        }
        let bench = bench(world, options.seed, options.bits, Compute::Thread)?;
        let wake = eventfd(0, EventfdFlags::CLOEXEC | EventfdFlags::NONBLOCK).map_err(|errno| {
            ServeError::Terminal {
                role: Role::Source,
                doing: "making an event descriptor",
                remedy: "raise the limit on open files (ulimit -n)",
                source: errno.into(),
            }
        })?;
        let stop = Arc::new(Stop { raised: AtomicBool::new(false), wake });
        let (front_end, bridged) = (bench.front_end, options.bridged);
        let mut served = Self { ports: Vec::new(), front_end, bridged, stop, threads: Vec::new() };
        if let Some(resistors) = resistors {
            bench.stand.change(0.0, |world| {
                (0..channels).for_each(|output| world.load_set(output, resistors, true))
            });
        }
        let epoch = Instant::now();
        for instrument in bench.instruments {
            let role = instrument.role();
            if role == Role::Load && resistors.is_some() {
                continue;
            }
            let manner = options.manners.iter().find(|manner| manner.role == role);
            let instrument = match manner {
                Some(manner) => instrument.with_manner(manner.clone()),
                None => instrument,
            };
            let terminal = Terminal::open(role)?;
            let path = terminal.path().to_owned();
            let name = manner.map(|manner| manner.name.clone());
            served.ports.push(PortInfo { role, path, idn: instrument.idn().to_owned(), manner: name });
            let own_baud = manner.and_then(|manner| manner.line.baud.filter(|_| manner.line.paced));
            let pacers = own_baud.or(options.pace_baud).map(|baud| (Pacer::new(baud), Pacer::new(baud)));
            let own = faults.iter().filter(|fault| fault.port == role).cloned();
            let stand = Arc::clone(&bench.stand);
            let port = Port::new(instrument, stand, terminal, pacers, PortFaults::new(own), epoch);
            let stop = Arc::clone(&served.stop);
            let thread = thread::Builder::new()
                .name(format!("virtual-{role}"))
                .spawn(move || port.run(&stop))
                .map_err(|source| ServeError::Thread { role, source })?;
            served.threads.push(thread);
        }
        Ok(served)
    }

    /// The ports, in the order of [`Role::ALL`].
    pub fn ports(&self) -> &[PortInfo] {
        &self.ports
    }

    /// The port of one instrument.
    pub fn port(&self, role: Role) -> Option<&PortInfo> {
        self.ports.iter().find(|port| port.role == role)
    }

    /// Divider and sensor gains, ranges and tolerances: what a bench file has to say about the digitizer.
    pub fn front_end(&self) -> &FrontEnd {
        &self.front_end
    }

    /// What looks at the bridges, where its amplifier's channels are bridged.
    pub fn bridged(&self) -> Option<BridgeInputs> {
        self.bridged
    }

    /// Ends all threads and closes the ports.
    pub fn stop(mut self) {
        self.end();
    }

    fn end(&mut self) {
        self.stop.raised.store(true, Ordering::SeqCst);
        // EAGAIN means that the counter is full, so the descriptor is readable already.
        let _already_readable = rustix::io::write(&self.stop.wake, &1_u64.to_ne_bytes());
        for thread in self.threads.drain(..) {
            if thread.join().is_err() {
                tracing::error!("the thread of a simulated instrument had broken off; its port was dead");
            }
        }
    }
}

impl Drop for VirtualBench {
    fn drop(&mut self) {
        self.end();
    }
}
