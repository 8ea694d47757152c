//! One run from start to record: arm, perform the script, end safe, write down how it went.

use std::path::PathBuf;
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use wattproof_bench::{Bench, BenchFile, Identity, SafeReport};
use wattproof_guard::TripCause;

use crate::host;
use crate::stage::Stage;
use crate::{Event, Nameplate, RatingResult, RunError, RunFolder, Watcher};

/// What is to be run.
pub struct RunOrder {
    /// The script's path, for messages and the record.
    pub script: PathBuf,
    /// The script's text.
    pub source: String,
    /// The amplifier under test.
    pub nameplate: Nameplate,
    /// Folder under which the run's own folder is made.
    pub results: PathBuf,
}

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// The script came to its end and everything is off.
    Finished,
    /// A person stopped it.
    Stopped,
    /// Something failed or tripped.
    Failed,
}

/// What came out.
#[derive(Debug)]
pub struct RunSummary {
    /// Where it was recorded.
    pub folder: RunFolder,
    /// How it ended.
    pub outcome: Outcome,
    /// Why it did not finish.
    pub error: Option<RunError>,
    /// The ratings judged.
    pub results: Vec<RatingResult>,
    /// Steps recorded.
    pub steps: u64,
    /// The state the outputs were left in.
    pub safe: SafeReport,
}

/// `run.json`: what was run, on what, and how it ended.
#[derive(Serialize)]
struct RunFile<'a> {
    run: &'a str,
    wattproof_version: &'static str,
    started_utc: String,
    ended_utc: Option<String>,
    outcome: Option<Outcome>,
    error: Option<String>,
    script: String,
    script_sha256: String,
    nameplate: &'a Nameplate,
    bench: &'a BenchFile,
    instruments: &'a [Identity],
    steps: u64,
    ratings: &'a [RatingResult],
    safe: Option<&'a SafeReport>,
    journal_chain: String,
}

/// Runs a script on an open bench and leaves the bench safe, whatever happens.
///
/// # Errors
/// Only when the run could not be begun (folder, journal); later failures are in the summary.
pub fn run(bench: &Arc<Bench>, order: &RunOrder, watcher: Arc<dyn Watcher>) -> Result<RunSummary, RunError> {
    let folder = RunFolder::create(&order.results, &order.nameplate.model)?;
    let mut stage = Stage::open(Arc::clone(bench), order.nameplate.clone(), &folder, watcher)?;
    let script_sha256: String =
        Sha256::digest(&order.source).iter().map(|byte| format!("{byte:02x}")).collect();
    let mut file = RunFile {
        run: folder.name(),
        wattproof_version: env!("CARGO_PKG_VERSION"),
        started_utc: utc(),
        ended_utc: None,
        outcome: None,
        error: None,
        script: order.script.display().to_string(),
        script_sha256,
        nameplate: &order.nameplate,
        bench: bench.file(),
        instruments: bench.identities(),
        steps: 0,
        ratings: &[],
        safe: None,
        journal_chain: String::new(),
    };
    stage.journal("opened", &file)?;
    write_run_file(&folder, &file)?;
    stage.tell(&Event::Doing("arming the guard"));
    let stage = host::park(stage);
    let performed = bench
        .arm()
        .map_err(RunError::from)
        .and_then(|()| host::perform(&order.script, &order.source, &stage, bench.stopper()));
    let safe = end_safe(bench, &performed);
    let mut parked = host::lock(&stage);
    let stage = &mut parked.stage;
    let outcome = match &performed {
        _ if bench.stopper().is_stopped() => Outcome::Stopped,
        Ok(()) if safe.is_safe() => Outcome::Finished,
        _ => Outcome::Failed,
    };
    let mut error = performed.err();
    file.outcome = Some(outcome);
    file.error = error.as_ref().map(RunError::to_string);
    file.ended_utc = Some(utc());
    file.steps = stage.step_count();
    let results = stage.results.clone();
    file.ratings = &results;
    file.safe = Some(&safe);
    let closing = serde_json::json!({ "outcome": outcome, "error": file.error, "safe": &safe });
    let recorded = stage.journal("closed", &closing).and_then(|()| {
        file.journal_chain = stage.journal_chain().to_string();
        write_run_file(&folder, &file)
    });
    // The first error explains the run; one while closing the record comes second.
    error = error.or(recorded.err());
    let outcome = if error.is_some() && outcome == Outcome::Finished { Outcome::Failed } else { outcome };
    let steps = file.steps;
    drop(file);
    Ok(RunSummary { outcome, error, results, steps, safe, folder })
}

fn end_safe(bench: &Bench, performed: &Result<(), RunError>) -> SafeReport {
    match performed {
        Ok(()) => bench.finish(),
        Err(error) => bench.make_safe(TripCause::Run { what: error.to_string() }),
    }
}

fn utc() -> String {
    chrono::Utc::now().to_rfc3339_opts(chrono::SecondsFormat::Millis, true)
}

fn write_run_file(folder: &RunFolder, file: &RunFile<'_>) -> Result<(), RunError> {
    let text = serde_json::to_string_pretty(file).map_err(|error| RunError::Folder {
        path: folder.file("run.json"),
        source: std::io::Error::other(error),
    })?;
    folder.write_whole("run.json", &text)
}
