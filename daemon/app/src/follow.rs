//! Follows a run from the terminal: Ctrl-C and SIGTERM switch everything off, at any moment.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::signal::unix::{SignalKind, signal};
use wattproof_bench::{Bench, BenchFile, Extras, Safeguards};
use wattproof_runs::{
    Outcome, RatingRecord, ResumeOrder, RunError, RunOrder, RunSummary, Watcher, resume, run,
};
use wattproof_serve::JobOutcome;

use crate::came_out::CameOut;
use crate::cool::cool;
use crate::descriptors::enough_descriptors;
use crate::failure::Failure;
use crate::progress::Progress;

/// What is to be done on the bench.
pub enum Order {
    /// A new run.
    Run(Box<RunOrder>),
    /// More of an old one.
    Resume(ResumeOrder),
}

impl Order {
    /// Does it on an open bench.
    pub fn carry_out(&self, bench: &Arc<Bench>, watcher: Arc<dyn Watcher>) -> Result<RunSummary, RunError> {
        match self {
            Order::Run(order) => run(bench, order, watcher),
            Order::Resume(order) => resume(bench, order, watcher),
        }
    }
}

/// What is wished beside the order.
#[derive(Clone, Copy, Default)]
pub struct Wish {
    /// It begins when the heatsink is at or below this, °C.
    pub cool_to_c: Option<f64>,
    /// What came out is printed as JSON.
    pub json: bool,
}

/// Opens the bench, runs the order, prints what came out and gives the worst verdict.
/// `state_folder` keeps a trip over a restart.
pub fn follow(
    file: BenchFile,
    state_folder: Option<PathBuf>,
    order: Order,
    wish: Wish,
) -> Result<JobOutcome, Failure> {
    let summary = carry_out(file, state_folder, order, wish.cool_to_c)?;
    let came_out = came_out(&summary);
    match ending(&summary, came_out.say(wish.json)) {
        // The verdict is told by the exit code as well.
        Ok(()) | Err(Failure::NobodyReads) => Ok(JobOutcome::of_verdicts(&came_out.verdicts())),
        Err(failure) => Err(failure),
    }
}

/// A verdict as the exit code tells it, after a run that finished.
pub fn judged(outcome: JobOutcome) -> Result<(), Failure> {
    match outcome {
        JobOutcome::Short => Err(Failure::Short),
        JobOutcome::Undecided => Err(Failure::Undecided),
        _ => Ok(()),
    }
}

/// Opens the bench, waits for the heatsink where that is asked for, and runs the order.
pub fn carry_out(
    file: BenchFile,
    state_folder: Option<PathBuf>,
    order: Order,
    cool_to_c: Option<f64>,
) -> Result<RunSummary, Failure> {
    let progress = Arc::new(Progress::new());
    let watcher = Arc::clone(&progress);
    let summary = on_bench(file, state_folder, move |bench| {
        cool(bench, cool_to_c, |now_c, to_c| watcher.cooling(now_c, to_c))?;
        order.carry_out(bench, watcher)
    });
    progress.finish();
    Ok(summary??)
}

/// Opens the bench and runs the order, told to somebody else.
pub fn carry_out_watched(
    file: BenchFile,
    state_folder: Option<PathBuf>,
    order: Order,
    watcher: Arc<dyn Watcher>,
) -> Result<RunSummary, Failure> {
    Ok(on_bench(file, state_folder, move |bench| order.carry_out(bench, watcher))??)
}

/// Opens a bench and works on it; a signal at any moment stops the bench.
pub fn on_bench<T: Send + 'static>(
    file: BenchFile,
    state_folder: Option<PathBuf>,
    work: impl FnOnce(&Arc<Bench>) -> T + Send + 'static,
) -> Result<T, Failure> {
    enough_descriptors()?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(|source| Failure::System { what: "starting the runtime", source })?;
    runtime.block_on(drive(file, state_folder, work))
}

async fn drive<T: Send + 'static>(
    file: BenchFile,
    state_folder: Option<PathBuf>,
    work: impl FnOnce(&Arc<Bench>) -> T + Send + 'static,
) -> Result<T, Failure> {
    let wrap = |source| Failure::System { what: "listening for signals", source };
    let mut interrupts = signal(SignalKind::interrupt()).map_err(wrap)?;
    let mut terms = signal(SignalKind::terminate()).map_err(wrap)?;
    let mut hangups = signal(SignalKind::hangup()).map_err(wrap)?;
    let opening = tokio::task::spawn_blocking(move || {
        let safeguards = Safeguards { guardian: Some(crate::guardian::program()), ..Safeguards::default() };
        Bench::open_with_extras(file, Extras { state_folder, safeguards, ..Extras::default() })
    });
    // A signal while the bench opens waits in the stream: nothing is energised before arming.
    let bench = Arc::new(opening.await.map_err(panicked)??);
    let stopper = bench.stopper();
    crate::service::ready(bench.signs_of_life());
    let mut running = tokio::task::spawn_blocking(move || work(&bench));
    loop {
        let signal = tokio::select! {
            ended = &mut running => {
                crate::service::stopping();
                return ended.map_err(panicked);
            }
            _ = interrupts.recv() => "Ctrl-C",
            _ = terms.recv() => "SIGTERM",
            _ = hangups.recv() => "SIGHUP (the terminal is gone)",
        };
        stopper.stop(signal);
    }
}

fn panicked(error: tokio::task::JoinError) -> Failure {
    Failure::Said(format!("an internal task failed ({error}); please report it with the log (-vv)"))
}

/// The outcome decides the exit code even when nobody reads what was `told`.
pub fn ending(summary: &RunSummary, told: Result<(), Failure>) -> Result<(), Failure> {
    for warning in &summary.safe.warnings {
        aside!("wattproof: {warning}");
    }
    if !summary.safe.is_safe() {
        if let Some(error) = &summary.error {
            aside!("wattproof: {error}");
        }
        return Err(Failure::NotSafe);
    }
    match summary.outcome {
        Outcome::Finished => told,
        Outcome::Stopped => Err(Failure::Stopped),
        Outcome::Failed if matches!(summary.error, Some(RunError::SelfCheck(_))) => {
            let error = summary.error.as_ref().map(ToString::to_string).unwrap_or_default();
            Err(Failure::WrongBench(format!("{error}\nevery output is off")))
        }
        Outcome::Failed => Err(Failure::Said(match &summary.error {
            // Another wiring is another bench file: this run can't go on with it.
            Some(error @ RunError::NothingServed(_)) => format!("{error}\nevery output is off"),
            Some(error) => {
                format!(
                    "{error}\nevery output is off; the record is complete up to step {}; once the cause is mended, `wattproof resume {}` goes on from there",
                    summary.steps,
                    summary.folder.path().display()
                )
            }
            None => "the run failed without a reason on record; see journal.jsonl".into(),
        })),
    }
}

fn came_out(summary: &RunSummary) -> CameOut {
    CameOut {
        selfcheck: match &summary.selfcheck {
            Some(found) => found.summary(),
            None if summary.checked_first => "did not come to its end".into(),
            None => "left out (--without-selfcheck)".into(),
        },
        ratings: summary.results.iter().map(RatingRecord::from).collect(),
        findings: summary.findings.clone(),
        left_out: summary.left_out.clone(),
        steps: summary.steps,
        folder: summary.folder.path().into(),
    }
}
