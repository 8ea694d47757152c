//! Rehearsals: a script run on a simulated bench in virtual time, before any real output is switched on.
//!
//! In come a script, a nameplate and the bench file of the bench that is meant; out comes how the run would end, with the
//! place in the script where it would not, and a forecast: how long it takes, how loud it gets, what the supply and the
//! heatsink must stand. The guard, its limits, the methods and the records are those of a real run; instruments and amplifier
//! are simulated ([`stand_in`], [`amplifier`]). Only `daemon/app` may call this room. It must not know ports, terminals or pages.

mod amplifier;
mod forecast;
mod meant;
mod memory;
mod script_tests;
mod stand_in;
mod virtual_files;
mod wire;

pub use amplifier::ASSUMED;
pub use forecast::Forecast;
pub use script_tests::{TestedScript, test_files, test_scripts_in};
pub use virtual_files::{VirtualLoad, VirtualPorts, bench_file, fixed_ohm, nameplate};

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use wattproof_bench::{Bench, BenchFile, Extras, Parts, Stopper};
use wattproof_link::{Address, Link, LinkError};
use wattproof_runs::{
    Event, Finding, LinesReached, Nameplate, NotMeasured, Outcome, RatingRecord, RunError, RunOrder, Script,
    ScriptFault, ScriptIn, Set, Step, Watcher, run,
};
use wattproof_turns::{Scheduler, VirtualTime};

use forecast::Looking;
use memory::Memory;
use stand_in::StandIn;
use wire::{Port, Wire};

/// Decides who goes first where it does not matter.
const SEED: u64 = 1;
/// Longest that is usually rehearsed, of the bench's time, h.
pub const HOURS: f64 = 24.0;
/// Longest of the machine's time.
const MACHINE_MAX: Duration = Duration::from_secs(300);

/// What is to be rehearsed.
pub struct RehearsalOrder<'a> {
    /// The script.
    pub script: Script,
    /// What is set of its parameters.
    pub set: Set,
    /// The amplifier that is meant.
    pub nameplate: Nameplate,
    /// The bench that is meant.
    pub bench: &'a BenchFile,
    /// Whether the run begins with a self-check.
    pub selfcheck: bool,
    /// Longest that is rehearsed, of the bench's time, h ([`HOURS`]).
    pub hours: f64,
}

/// How it went.
#[derive(Debug)]
pub struct Rehearsal {
    /// Why the run would not come to its end; none if it would.
    pub error: Option<RunError>,
    /// What may have been meant by what a limit did not allow.
    pub meant: Option<String>,
    /// Where in the script it was, when something else than the script failed.
    pub stood: Option<Box<ScriptFault>>,
    /// Lines of the script that it never came to: first and last of each run of them.
    pub missed: Vec<(usize, usize)>,
    /// Ratings that the bench can't serve.
    pub left_out: Vec<NotMeasured>,
    /// What the script printed.
    pub printed: Vec<String>,
    /// Ratings judged.
    pub ratings: Vec<RatingRecord>,
    /// Findings of the script.
    pub findings: Vec<Finding>,
    /// Steps recorded.
    pub steps: Vec<Step>,
    /// What the run comes to.
    pub forecast: Forecast,
}

impl Rehearsal {
    /// Of a run that was refused before anything began.
    fn not_begun(error: RunError) -> Self {
        Rehearsal {
            error: Some(error),
            meant: None,
            stood: None,
            missed: Vec::new(),
            left_out: Vec::new(),
            printed: Vec::new(),
            ratings: Vec::new(),
            findings: Vec::new(),
            steps: Vec::new(),
            forecast: Forecast::default(),
        }
    }
}

/// Why there was no rehearsal.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// No amplifier can be made up for the nameplate.
    #[error("{0}; the script can't be rehearsed with this nameplate")]
    Amplifier(String),
    /// No bench can be made up.
    #[error("the bench can't be simulated: {0}")]
    Bench(String),
    /// The run could not begin.
    #[error("{0}")]
    NotBegun(RunError),
    /// The rehearsal itself failed.
    #[error("the rehearsal failed: {0}; please report it")]
    Failed(String),
}

/// Rehearses a script. Nothing outside this process is touched.
///
/// # Errors
/// [`RehearsalError`] when it could not be tried; how a run would fail is in the [`Rehearsal`].
pub fn rehearse(order: RehearsalOrder<'_>) -> Result<Rehearsal, RehearsalError> {
    let RehearsalOrder { script, set, nameplate, bench, selfcheck, hours } = order;
    let stand_in = StandIn::of(bench, &nameplate)?;
    rehearse_on(stand_in, script, set, nameplate, selfcheck, hours)
}

/// The same on a bench that stands.
fn rehearse_on(
    stand_in: StandIn,
    script: Script,
    set: Set,
    nameplate: Nameplate,
    selfcheck: bool,
    hours: f64,
) -> Result<Rehearsal, RehearsalError> {
    let lines = Arc::new(LinesReached::default());
    let order = RunOrder {
        script,
        script_in: ScriptIn::Noting(Arc::clone(&lines)),
        nameplate,
        results: PathBuf::from("rehearsal"),
        typist: None,
        disk: Arc::new(Memory::default()),
        selfcheck,
        set,
    };
    let (told, heard) = channel();
    // A thread of its own: should nobody in there ever go on again, it is left behind.
    let playing = std::thread::Builder::new().name("rehearsal".into()).spawn(move || {
        let played = play(stand_in, &order, &lines, hours, &told);
        // Nobody listens any more only when a standstill was told before.
        let _unheard = told.send(played);
    });
    playing.map_err(|error| RehearsalError::Failed(format!("no thread for it: {error}")))?;
    heard.recv().unwrap_or_else(|_| Err(RehearsalError::Failed("its thread panicked".into())))
}

type Told = Sender<Result<Rehearsal, RehearsalError>>;

fn play(
    stand_in: StandIn,
    order: &RunOrder,
    lines: &LinesReached,
    hours: f64,
    told: &Told,
) -> Result<Rehearsal, RehearsalError> {
    let StandIn { file, stand, instruments } = stand_in;
    let outputs = stand.look(0.0, |world| world.spec().channels());
    let scheduler = Scheduler::new(SEED, "run");
    let watching = Arc::new(Watching::for_hours(hours));
    let (looking, stuck) = (Arc::clone(&watching), told.clone());
    let time = Arc::downgrade(&scheduler);
    scheduler.watched_by(
        Box::new(move || {
            let Some(time) = time.upgrade() else { return };
            let now_s = time.now_s();
            looking.bound(now_s);
            let mut seen = lock(&looking.seen);
            if seen.is_due(now_s) {
                stand.look(now_s, |world| seen.look(now_s, world, outputs));
            }
        }),
        Box::new(move |what| {
            let _unheard = stuck.send(Err(RehearsalError::Failed(what.into())));
        }),
    );
    let ports: Vec<Arc<Port>> =
        instruments.into_iter().map(|(instrument, baud)| Arc::new(Port::new(instrument, baud))).collect();
    let wired = Arc::clone(&scheduler);
    let opens = move |address: &Address| -> Result<Box<dyn Link>, LinkError> {
        let Address::Serial { path, .. } = address else { return Err(LinkError::HungUp) };
        let port = ports.iter().find(|port| port.name() == path).ok_or(LinkError::HungUp)?;
        Ok(Box::new(Wire::to(&wired, port)))
    };
    let clock = Arc::new(VirtualTime(Arc::clone(&scheduler)));
    let bench = Bench::open_with(file, Extras::default(), Parts { clock, opens: Box::new(opens) })
        .map_err(|error| RehearsalError::NotBegun(error.into()))?;
    let bench = Arc::new(bench);
    watching.stopper.get_or_init(|| bench.stopper());
    let began_s = scheduler.now_s();
    let summary =
        run(&bench, order, Arc::clone(&watching) as Arc<dyn Watcher>).map_err(RehearsalError::NotBegun)?;
    let duration_s = scheduler.now_s() - began_s;
    drop(bench);
    let error = match (summary.error, summary.outcome) {
        _ if watching.was_bounded.load(Ordering::Relaxed) => Some(too_long(duration_s)),
        (Some(error), _) => Some(error),
        (None, Outcome::Finished) => None,
        (None, _) => Some(RunError::Call(format!("the run ended in state {:?}", summary.safe.state))),
    };
    let seen = std::mem::take(&mut *lock(&watching.seen));
    let printed = std::mem::take(&mut *lock(&watching.printed));
    Ok(Rehearsal {
        meant: error.as_ref().and_then(|error| meant::meant(error, &order.nameplate)),
        error,
        stood: summary.stood,
        missed: lines.missed(),
        left_out: summary.left_out,
        ratings: summary.results.iter().map(RatingRecord::from).collect(),
        findings: summary.findings,
        steps: std::mem::take(&mut *lock(&watching.steps)),
        printed,
        forecast: seen.end(duration_s, summary.steps),
    })
}

fn too_long(duration_s: f64) -> RunError {
    RunError::Call(format!(
        "after {:.1} h of the bench's time the script had not come to its end: look for a loop that never ends; `wattproof check --hours` rehearses longer, shorter times come to the end sooner",
        duration_s / 3600.0
    ))
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Watches a rehearsal, and ends one that goes on for ever.
struct Watching {
    began: Instant,
    hours: f64,
    seen: Mutex<Looking>,
    printed: Mutex<Vec<String>>,
    steps: Mutex<Vec<Step>>,
    stopper: OnceLock<Stopper>,
    was_bounded: AtomicBool,
}

impl Watching {
    fn for_hours(hours: f64) -> Self {
        Watching {
            began: Instant::now(),
            hours,
            seen: Mutex::default(),
            printed: Mutex::default(),
            steps: Mutex::default(),
            stopper: OnceLock::new(),
            was_bounded: AtomicBool::new(false),
        }
    }

    fn bound(&self, now_s: f64) {
        let too_long = now_s > 3600.0 * self.hours || self.began.elapsed() > MACHINE_MAX;
        if too_long
            && let Some(stopper) = self.stopper.get()
            && !self.was_bounded.swap(true, Ordering::Relaxed)
        {
            stopper.stop("the rehearsal");
        }
    }
}

impl Watcher for Watching {
    fn tell(&self, event: &Event<'_>) {
        match event {
            Event::Printed(text) => lock(&self.printed).push((*text).to_string()),
            // What the self-check plays is no doing of the script.
            Event::Checked(_) => lock(&self.seen).begin_script(),
            Event::Stepped(step) => {
                lock(&self.seen).stepped(step.level_vrms);
                lock(&self.steps).push((*step).clone());
            }
            _ => {}
        }
    }
}
