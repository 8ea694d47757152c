//! One run from start to record: arm, perform the script, end safe, write down how it went.

use std::path::PathBuf;
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use serde_json::json;
use sha2::{Digest, Sha256};
use wattproof_bench::{Bench, SafeReport};
use wattproof_guard::{State, TripCause};
use wattproof_method::selfcheck::SelfCheck;

use crate::disk::{Disk, MachineDisk};
use crate::ended::ending;
use crate::folder::JOURNAL_FILE;
use crate::host::{
    Host, LinesReached, Script, Set, Stopping, WorkerProgram, parameters_of, perform_here, perform_in_child,
    set_of,
};
use crate::open_tables::OpenTables;
use crate::rebuild::rebuild_own;
use crate::record::{Facts, Opened, RecordedBench};
use crate::run_file::{RUN_FILE, RunFile};
use crate::selfcheck::check_first;
use crate::served::leave_out;
use crate::stage::Stage;
use crate::{
    Event, Finding, Journal, Nameplate, NotMeasured, RatingResult, RunError, RunFolder, ScriptFault, Typist,
    Watcher,
};

/// Characters of a day at the beginning of a moment, `YYYY-MM-DD` (RFC 3339).
const DAY_CHARS: usize = 10;

/// What is to be run.
pub struct RunOrder {
    /// The script.
    pub script: Script,
    /// Where the script is performed.
    pub script_in: ScriptIn,
    /// What is set of the script's parameters, in place of their defaults.
    pub set: Set,
    /// The amplifier under test.
    pub nameplate: Nameplate,
    /// Folder under which the run's own folder is made.
    pub results: PathBuf,
    /// The disk it is on.
    pub disk: Arc<dyn Disk>,
    /// Who types the script, where it is one that is typed.
    pub typist: Option<Arc<dyn Typist>>,
    /// Whether the bench is checked before the script; what leaves that out is recorded.
    pub selfcheck: bool,
}

impl RunOrder {
    /// A run recorded on this machine's disk, whose bench is checked first.
    pub fn new(script: Script, script_in: ScriptIn, nameplate: Nameplate, results: PathBuf) -> Self {
        let (set, disk) = (Set::new(), Arc::new(MachineDisk));
        RunOrder { script, script_in, set, nameplate, results, disk, typist: None, selfcheck: true }
    }
}

/// Where a script is performed.
#[derive(Debug, Clone)]
pub enum ScriptIn {
    /// In a process of its own, bounded by the kernel: what every run on a bench that can hurt needs.
    Child(WorkerProgram),
    /// On a thread of this process.
    Here,
    /// The same; notes which lines are performed.
    Noting(Arc<LinesReached>),
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
    /// Where in the script the run was, when something else than the script failed.
    pub stood: Option<Box<ScriptFault>>,
    /// Whether the run began with a self-check.
    pub checked_first: bool,
    /// What the self-check found; absent where it was left out or did not come to its end.
    pub selfcheck: Option<SelfCheck>,
    /// The ratings judged.
    pub results: Vec<RatingResult>,
    /// What the script found out that is no rating.
    pub findings: Vec<Finding>,
    /// The ratings left out.
    pub left_out: Vec<NotMeasured>,
    /// Steps recorded.
    pub steps: u64,
    /// The state the outputs were left in.
    pub safe: SafeReport,
}

/// Runs a script on an open bench and leaves the bench safe, whatever happens.
///
/// # Errors
/// Only when the run could not be begun (parameters, folder, journal); later failures are in the summary.
pub fn run(bench: &Arc<Bench>, order: &RunOrder, watcher: Arc<dyn Watcher>) -> Result<RunSummary, RunError> {
    order.nameplate.fits(bench.file()).map_err(RunError::Call)?;
    let parameters = parameters_of(&order.script, &order.set)?;
    let folder = RunFolder::create(Arc::clone(&order.disk), &order.results, &order.nameplate.model)?;
    let started_utc = utc();
    let begun_day = started_utc.chars().take(DAY_CHARS).collect();
    let opened = Opened {
        run: folder.name().into(),
        wattproof_version: env!("CARGO_PKG_VERSION").into(),
        started_utc,
        begun_s: bench.now_s(),
        script: order.script.path.display().to_string(),
        script_sha256: sha256(&order.script.source),
        source: order.script.source.clone(),
        parameters,
        nameplate: order.nameplate.clone(),
        instruments: json!(bench.identities()),
        facts: Facts {
            bench: bench.file().clone(),
            limits: bench.limits(),
            source_vrms_max: bench.source_vrms_max(),
            begun_day,
            selfcheck: order.selfcheck,
        },
    };
    let mut journal = Journal::create(&order.disk, &folder.file(JOURNAL_FILE))?;
    journal.append(opened.begun_s, "opened", &opened)?;
    let text = RunFile::of(&opened, &[], &[], journal.chain()).text(&folder)?;
    folder.write_whole(RUN_FILE, &text)?;
    let tables = OpenTables::create(&folder)?;
    let recorded = RecordedBench::live(opened.facts, Arc::clone(bench), folder, journal);
    let set = set_of(&opened.parameters);
    let mut stage = Stage::new(recorded, order.nameplate.clone(), set, Some(tables), watcher);
    stage.typist.clone_from(&order.typist);
    Ok(conduct(bench, &order.script, &order.script_in, stage))
}

/// Arms, performs, ends safe, records how it went.
pub(crate) fn conduct(bench: &Arc<Bench>, script: &Script, script_in: &ScriptIn, stage: Stage) -> RunSummary {
    stage.tell(&Event::Opened(stage.bench.folder().name()));
    stage.tell(&Event::Doing("arming the guard"));
    let stopper = bench.stopper();
    let stopping = Stopping::by(move || stopper.is_stopped());
    let mut host = Host::new(stage);
    let served = leave_out(&mut host.stage);
    let armed = served.and_then(|()| bench.arm().map_err(RunError::from));
    let armed = armed.map(|arming| host.stage.bench.armed_by(arming));
    let ready = armed.and_then(|()| check_first(&mut host.stage));
    let (host, performed) = match (ready, script_in) {
        (Err(error), _) => (host, Err(error)),
        (Ok(()), ScriptIn::Here) => perform_here(script, host, stopping, None),
        (Ok(()), ScriptIn::Noting(lines)) => perform_here(script, host, stopping, Some(lines)),
        (Ok(()), ScriptIn::Child(program)) => perform_in_child(program, script, host, &stopping),
    };
    let safe = end_safe(bench, &performed);
    let outcome = match &performed {
        _ if bench.stopper().is_stopped() => Outcome::Stopped,
        // A trip while everything was being switched off is still a trip.
        Ok(()) if safe.is_safe() && safe.state == State::Safe => Outcome::Finished,
        _ => Outcome::Failed,
    };
    let Host { mut stage, stood, .. } = host;
    let error = performed.err();
    let closing = json!({
        "outcome": outcome,
        "error": error.as_ref().map(RunError::to_string),
        "ending": ending(outcome, error.as_ref()),
        "ended_utc": utc(),
        "safe": &safe,
    });
    let folder = stage.bench.folder().clone();
    let recorded = stage.bench.close(&closing).and_then(|()| {
        stage.end();
        // Written from the journal alone, the tables are what anybody gets who has nothing but the journal.
        for name in rebuild_own(&folder)?.iter().filter(|name| **name != RUN_FILE) {
            tracing::warn!(file = name, "was not what the journal says; it was written anew");
        }
        Ok(())
    });
    // The first error explains the run; one while closing the record comes second.
    let error = error.or(recorded.err());
    let outcome = if error.is_some() && outcome == Outcome::Finished { Outcome::Failed } else { outcome };
    let (steps, checked_first) = (stage.step_count(), stage.bench.checks_first());
    let Stage { selfcheck, results, findings, left_out, .. } = stage;
    RunSummary {
        outcome,
        error,
        stood,
        checked_first,
        selfcheck,
        results,
        findings,
        left_out,
        steps,
        safe,
        folder,
    }
}

fn end_safe(bench: &Bench, performed: &Result<(), RunError>) -> SafeReport {
    match performed {
        Ok(()) => bench.finish(),
        Err(error) => bench.make_safe(TripCause::Run { what: error.to_string() }),
    }
}

/// SHA-256 of a text, hexadecimal.
pub(crate) fn sha256(text: &str) -> String {
    Sha256::digest(text).iter().map(|byte| format!("{byte:02x}")).collect()
}

fn utc() -> String {
    chrono::Utc::now().to_rfc3339_opts(chrono::SecondsFormat::Millis, true)
}
