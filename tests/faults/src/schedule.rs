//! One schedule: a seed in, everything that happened and every broken invariant out.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use wattproof_bench::{Bench, BenchFile, Extras, Parts};
use wattproof_guard::State;
use wattproof_link::{Address, Link, LinkError};
use wattproof_runs::{
    Event, ResumeOrder, RunFolder, RunOrder, RunSummary, Script, ScriptIn, Set, Watcher, resume_in,
};
use wattproof_virtual_bench::instruments::{Compute, bench};
use wattproof_virtual_bench::{World, catalogue};

use crate::check::{Checker, Violation};
use crate::clock::VirtualTime;
use crate::disk::DaemonDisk;
use crate::durable;
use crate::fault::{Fault, Kind, plan};
use crate::fired::Fired;
use crate::operator;
use crate::port::Port;
use crate::sabotage::{Sabotage, Sabotaged};
use crate::scheduler::Scheduler;
use crate::setup::{self, Played};
use crate::site::Site;
use crate::surroundings;
use crate::wire::Wire;

/// Longest time a schedule may take after its last fault, s.
const CALM_S: f64 = 15.0;

/// What came out of a schedule.
#[derive(Debug)]
pub struct Report {
    /// Its seed.
    pub seed: u64,
    /// Its script.
    pub script: &'static str,
    /// Its faults.
    pub faults: Vec<Fault>,
    /// Those that struck.
    pub fired: Vec<Fired>,
    /// Broken invariants.
    pub violations: Vec<Violation>,
    /// Hash over everything that happened.
    pub hash: String,
    /// Everything that happened.
    pub events: Vec<String>,
    /// Virtual time it took, s.
    pub length_s: f64,
    /// Changes of turn.
    pub switches: u64,
    /// How the run ended.
    pub ended: String,
}

/// Something outside the daemon keeps a schedule from being played.
#[derive(Debug)]
pub struct Unplayable(pub String);

impl std::fmt::Display for Unplayable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

fn unplayable(error: impl std::fmt::Display) -> Unplayable {
    Unplayable(error.to_string())
}

/// Plays the schedule of a seed.
///
/// # Errors
/// [`Unplayable`], which is no verdict on the daemon.
pub fn play(seed: u64) -> Result<Report, Unplayable> {
    play_with(seed, setup::script(seed), plan(seed), None)
}

/// Plays a script with faults, and with a daemon that is broken on purpose if that is asked for.
///
/// # Errors
/// [`Unplayable`].
pub fn play_with(
    seed: u64,
    script: Played,
    faults: Vec<Fault>,
    sabotage: Option<Sabotage>,
) -> Result<Report, Unplayable> {
    let site = stand_up(seed, &faults)?;
    let scheduler = Arc::clone(&site.scheduler);
    let outside = surroundings::start(&site, site.ports(), &faults).map_err(unplayable)?;
    let ended = live(&site, &script, &faults, sabotage);
    calm(&site, &faults);
    site.end();
    for thread in outside {
        scheduler.join(thread);
    }
    recover(&site);
    judge_record(&site, sabotage);
    let (events, hash) = {
        let log = site.log();
        (log.events().iter().map(ToString::to_string).collect(), log.hash())
    };
    let violations = site.checker().violations().to_vec();
    Ok(Report {
        seed,
        script: script.name,
        faults,
        fired: site.all_fired(),
        violations,
        hash,
        events,
        length_s: scheduler.now_s(),
        switches: scheduler.switches(),
        ended,
    })
}

/// A bench on which nothing has happened yet, watched by a checker.
///
/// # Errors
/// [`Unplayable`].
pub(crate) fn stand_up(seed: u64, faults: &[Fault]) -> Result<Arc<Site>, Unplayable> {
    let file = setup::bench_file().map_err(unplayable)?;
    let amplifier = catalogue::amplifier("honest").map_err(unplayable)?;
    let virtual_bench =
        bench(World::new(amplifier, seed).coarse(), seed, 16, Compute::Inline).map_err(unplayable)?;
    let scheduler = Scheduler::new(seed, "run");
    let checker = Checker::new(file.limits, file.source.outputs.len());
    let stand = Arc::clone(&virtual_bench.stand);
    let site = Site::new(seed, Arc::clone(&scheduler), stand, checker, faults);
    let ports: Vec<Arc<Port>> =
        virtual_bench.instruments.into_iter().map(|one| Arc::new(Port::new(one))).collect();
    site.wire(ports);
    // The site holds its scheduler already: a strong hold the other way would keep both for ever.
    let (watching, telling) = (Arc::downgrade(&site), Arc::downgrade(&site));
    scheduler.watched_by(
        Box::new(move || {
            if let Some(site) = watching.upgrade() {
                site.look();
            }
        }),
        Box::new(move |told| {
            if let Some(site) = telling.upgrade() {
                standstill(seed, &site, told);
            }
        }),
    );
    Ok(site)
}

/// Nobody can go on: the worst that can be found, told before anything else is lost.
fn standstill(seed: u64, site: &Site, told: &str) {
    eprintln!("seed {seed}: {told}");
    let log = site.log();
    let events = log.events();
    for event in events.iter().skip(events.len().saturating_sub(60)) {
        eprintln!("{event}");
    }
    eprintln!("replay it with: wattproof-faults --seed {seed} --trace");
    std::process::exit(70);
}

/// A daemon's life: it opens its bench, runs the script, closes its bench.
fn live(site: &Arc<Site>, script: &Played, faults: &[Fault], sabotage: Option<Sabotage>) -> String {
    let daemon = site.boots();
    let bench = match open(site, daemon, sabotage) {
        Ok(bench) => Arc::new(bench),
        Err(error) => {
            site.closed();
            site.note(format!("not opened: {error}"));
            return format!("not opened: {error}");
        }
    };
    site.opened(&bench);
    if site.is_dead(daemon) {
        return "died while opening".into();
    }
    site.look();
    let order = RunOrder {
        script: Script { path: PathBuf::from(format!("{}.rhai", script.name)), source: script.text.clone() },
        script_in: ScriptIn::Here,
        set: Set::new(),
        nameplate: setup::nameplate(),
        results: PathBuf::from("results"),
        disk: Arc::new(DaemonDisk { site: Arc::clone(site), daemon }),
        selfcheck: script.checked,
    };
    let watcher = Arc::new(Watching { site: Arc::clone(site), daemon });
    let summary = wattproof_runs::run(&bench, &order, watcher);
    let ended = match &summary {
        Ok(summary) => {
            let error = summary.error.as_ref().map(ToString::to_string).unwrap_or_default();
            format!("{:?} {error}", summary.outcome)
        }
        Err(error) => format!("not begun: {error}"),
    };
    if !site.is_dead(daemon) {
        site.look();
        site.note(format!("ended: {ended}"));
        if let Ok(summary) = &summary {
            judge_ending(site, summary, script, faults.iter().all(|fault| fault.kind == Kind::ResetProper));
        }
        if let Some(fault) = faults.iter().find(|fault| fault.kind == Kind::ResetProper) {
            operator::resets_after(site, &bench, fault, faults);
        }
    }
    operator::wait_for_all(site);
    drop(summary);
    drop(bench);
    if !site.is_dead(daemon) {
        site.closed();
    }
    ended
}

/// A daemon opens its bench.
pub(crate) fn open(
    site: &Arc<Site>,
    daemon: u64,
    sabotage: Option<Sabotage>,
) -> Result<Bench, wattproof_bench::BenchError> {
    let file = setup::bench_file().map_err(|error| wattproof_bench::BenchError::Setup(error.to_string()))?;
    open_file(site, daemon, sabotage, file)
}

/// The same by another bench file.
pub(crate) fn open_file(
    site: &Arc<Site>,
    daemon: u64,
    sabotage: Option<Sabotage>,
    file: BenchFile,
) -> Result<Bench, wattproof_bench::BenchError> {
    let file = sabotage.map_or(file.clone(), |sabotage| sabotage.file(file));
    let own = Arc::clone(site);
    let opens = move |address: &Address| -> Result<Box<dyn Link>, LinkError> {
        let Address::Serial { path, .. } = address else { return Err(LinkError::HungUp) };
        let port = own.ports().iter().find(|port| port.role.name() == path).ok_or(LinkError::HungUp)?;
        let wire = Box::new(Wire::open(&own, port, daemon)?);
        Ok(match sabotage {
            Some(sabotage) => Box::new(Sabotaged::new(wire, sabotage)),
            None => wire,
        })
    };
    let clock = Arc::new(VirtualTime(Arc::clone(&site.scheduler)));
    Bench::open_with(file, Extras::default(), Parts { clock, opens: Box::new(opens) })
}

/// Invariants 19 and 20, and no false trip.
fn judge_ending(site: &Site, summary: &RunSummary, script: &Played, healthy: bool) {
    let at_s = site.scheduler.now_s();
    let state = summary.safe.state;
    let mut checker = site.checker();
    if !matches!(state, State::Safe | State::Tripped | State::Alarm) {
        checker.broken(19, at_s, "end", format!("the run ended in state {state:?}"));
    }
    let finished = summary.outcome == wattproof_runs::Outcome::Finished;
    if finished && (state != State::Safe || !summary.safe.is_safe()) {
        checker.broken(20, at_s, "end", format!("a run is told finished in state {state:?}"));
    }
    if state == State::Alarm && summary.safe.warnings.is_empty() {
        checker.broken(20, at_s, "warning", "an alarm without a warning to a person".into());
    }
    if healthy && script.finishes && !finished {
        let why = summary.error.as_ref().map(ToString::to_string).unwrap_or_default();
        checker.broken(
            0,
            at_s,
            "false trip",
            format!("nothing was wrong, but the run did not finish: {why}"),
        );
    }
}

/// Time passes until every fault is over and its traces are gone.
fn calm(site: &Site, faults: &[Fault]) {
    let last = faults.iter().map(Fault::until).max().unwrap_or_default().min(Duration::from_secs(60));
    let until = last.max(site.scheduler.now()) + Duration::from_secs_f64(0.1);
    site.scheduler.wait(None, Some(until.saturating_sub(site.scheduler.now())));
}

/// After a death, or a bench left live: the next daemon makes it safe.
fn recover(site: &Arc<Site>) {
    // A fault that delays answers is over when the last of them has come.
    let last_s = |port: &Arc<Port>| port.wired().coming.back().map(|piece| piece.at.as_secs_f64());
    let calm_s = site.ports().iter().filter_map(last_s).fold(site.scheduler.now_s(), f64::max);
    let deadline_s = calm_s + CALM_S;
    loop {
        let daemon = site.boots();
        match open(site, daemon, None) {
            Ok(bench) => {
                let bench = Arc::new(bench);
                site.opened(&bench);
                site.look();
                let (state, truth, at_s) = (bench.state(), site.truth(), site.scheduler.now_s());
                if state != State::Safe || truth.any_on() {
                    let what =
                        format!("after every fault was over a new daemon shows {state:?}, and: {truth}");
                    site.checker().broken(19, at_s, "recovery", what);
                }
                go_on(site, &bench, daemon);
                drop(bench);
                site.closed();
                return;
            }
            Err(error) => {
                site.closed();
                site.note(format!("not opened: {error}"));
                if site.scheduler.now_s() > deadline_s {
                    let at_s = site.scheduler.now_s();
                    let what =
                        format!("every fault was over, but no new daemon could open its bench: {error}");
                    site.checker().broken(19, at_s, "recovery", what);
                    return;
                }
                site.scheduler.wait(None, Some(Duration::from_secs(1)));
            }
        }
    }
}

/// Goes on with a run that was cut off, as a person might want; it ends safe like any other.
fn go_on(site: &Arc<Site>, bench: &Arc<Bench>, daemon: u64) {
    let cut_off = site.platters.of_run("journal.jsonl").is_some_and(|journal| !durable::is_closed(&journal));
    let Some(folder) = site.platters.run().filter(|_| cut_off) else { return };
    site.note("the run is gone on with".into());
    let disk = Arc::new(DaemonDisk { site: Arc::clone(site), daemon });
    let order = ResumeOrder { folder: folder.clone(), script: None, script_in: ScriptIn::Here };
    let watcher = Arc::new(Watching { site: Arc::clone(site), daemon });
    let resumed = resume_in(bench, RunFolder::on(disk, &folder), &order, watcher);
    site.look();
    let (state, truth, at_s) = (bench.state(), site.truth(), site.scheduler.now_s());
    match resumed {
        Ok(summary) => {
            let error = summary.error.as_ref().map(ToString::to_string).unwrap_or_default();
            site.note(format!("gone on with, it ended: {:?} {error}", summary.outcome));
        }
        Err(error) => site.note(format!("not gone on with: {error}")),
    }
    if !matches!(state, State::Safe | State::Tripped) || truth.any_on() {
        let what = format!("a run gone on with ended in {state:?}, and: {truth}");
        site.checker().broken(16, at_s, "ending", what);
    }
}

/// Invariant 14, by what the disk holds.
fn judge_record(site: &Site, sabotage: Option<Sabotage>) {
    let Some(bytes) = site.platters.of_run("journal.jsonl") else { return };
    let at_s = site.scheduler.now_s();
    let bytes = sabotage.map_or(bytes.clone(), |sabotage| sabotage.record(bytes));
    for what in durable::faults_of(&bytes) {
        site.checker().broken(14, at_s, "chain", format!("journal: {what}"));
    }
    let kept = durable::steps(&bytes);
    if !kept.windows(2).all(|pair| matches!(pair, [one, next] if *next == one + 1)) {
        site.checker().broken(
            14,
            at_s,
            "steps",
            format!("the journal's steps are not numbered in a row: {kept:?}"),
        );
    }
    let table =
        site.platters.of_run("steps.csv").map(|table| durable::table_steps(&table)).unwrap_or_default();
    if !kept.starts_with(&table) || durable::is_closed(&bytes) && kept != table {
        let what = format!("steps.csv holds {table:?}, the journal {kept:?}");
        site.checker().broken(14, at_s, "table", what);
    }
    for told in site.told_steps() {
        if !kept.contains(&told) {
            site.checker().broken(
                14,
                at_s,
                "step",
                format!("step {told} was acknowledged but is not in the journal"),
            );
        }
    }
}

/// Writes down what a watching person is told.
struct Watching {
    site: Arc<Site>,
    daemon: u64,
}

impl Watcher for Watching {
    fn tell(&self, event: &Event<'_>) {
        if self.site.is_dead(self.daemon) {
            return;
        }
        match event {
            Event::Stepped(step) => {
                self.site.told_step(step);
                let (volts, amps) = (step.supply_v, step.supply_a);
                self.site.note(format!("step {} told: {volts:?} V, {amps:?} A", step.step));
            }
            Event::Doing(what) => self.site.note(format!("doing: {what}")),
            Event::Printed(text) => self.site.note(format!("printed: {text}")),
            Event::Checked(found) => self.site.note(format!("checked: {}", found.summary())),
            Event::Opened(_) | Event::Planned(_) | Event::Judged(_) | Event::Found(_) | Event::LeftOut(_) => {
            }
        }
    }
}
