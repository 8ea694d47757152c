//! Goes on with a run that was cut off: the script is run again from its start and answered from the journal up to where
//! that ends, the bench is brought to how it stood, and the run goes on live.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::json;
use wattproof_bench::{Bench, BenchFile};

use crate::folder::JOURNAL_FILE;
use crate::host::{Script, set_of};
use crate::open_tables::OpenTables;
use crate::rebuild::tables;
use crate::record::{Ended, History, Opened, RecordedBench};
use crate::run::{ScriptIn, conduct, sha256};
use crate::stage::Stage;
use crate::{
    Event, Journal, JournalError, ReadJournal, RunError, RunFolder, RunSummary, Watcher, read_journal,
};

/// Which run is to be gone on with.
pub struct ResumeOrder {
    /// Its folder.
    pub folder: PathBuf,
    /// The script, where another text than the recorded one is to be used: it must do the same up to where the run ended.
    pub script: Option<Script>,
    /// Where the script is performed.
    pub script_in: ScriptIn,
}

/// The bench file that a run was recorded with, for opening the same bench again.
///
/// # Errors
/// [`RunError`] when there is no run or its journal can't be understood.
pub fn bench_of(folder: &Path) -> Result<BenchFile, RunError> {
    let folder = RunFolder::open(folder)?;
    let (_, history) = read_history(&folder)?;
    resumable(&history)?;
    Ok(history.opened.facts.bench)
}

/// Reads the journal of a run and what counts of it.
pub(crate) fn read_history(folder: &RunFolder) -> Result<(ReadJournal, History), RunError> {
    let path = folder.file(JOURNAL_FILE);
    let read = read_journal(folder.disk().as_ref(), &path)?;
    if let Some(line) = read.broken_line {
        return Err(JournalError::Broken { path, line }.into());
    }
    let history = History::of(&read.lines).ok_or(RunError::NotOpened { path })?;
    Ok((read, history))
}

fn resumable(history: &History) -> Result<(), RunError> {
    if history.ended == Ended::Finished {
        return Err(RunError::NotResumable("it came to its end; begin a new run".into()));
    }
    Ok(())
}

/// Goes on with a run on an open bench and leaves the bench safe, whatever happens.
///
/// # Errors
/// When the run can't be resumed (finished, another bench or other instruments, journal damaged); later failures are in
/// the summary.
pub fn resume(
    bench: &Arc<Bench>,
    order: &ResumeOrder,
    watcher: Arc<dyn Watcher>,
) -> Result<RunSummary, RunError> {
    resume_in(bench, RunFolder::open(&order.folder)?, order, watcher)
}

/// The same for a run in a folder that is open already; `order.folder` counts for nothing.
///
/// # Errors
/// As [`resume`].
pub fn resume_in(
    bench: &Arc<Bench>,
    folder: RunFolder,
    order: &ResumeOrder,
    watcher: Arc<dyn Watcher>,
) -> Result<RunSummary, RunError> {
    let (read, history) = read_history(&folder)?;
    resumable(&history)?;
    if let Some(what) = history.opened.other_bench(bench.file(), &json!(bench.identities())) {
        return Err(RunError::NotResumable(format!(
            "{what}; put the bench back as it was, or begin a new run"
        )));
    }
    let script = script_of(&history.opened, order.script.as_ref());
    let journal = Journal::reopen(folder.disk(), &folder.file(JOURNAL_FILE), &read)?;
    let renewed = OpenTables::renewed(&folder, &tables(&folder, &read.lines)?)?;
    let (nameplate, set) = (history.opened.nameplate.clone(), set_of(&history.opened.parameters));
    let answered = history.lines.iter().filter(|line| line.kind == "step").count();
    let recorded = RecordedBench::resumed(history, Arc::clone(bench), folder, journal);
    let stage = Stage::new(recorded, nameplate, set, Some(renewed), watcher);
    let doing = format!("answering {answered} steps from the record");
    stage.tell(&Event::Doing(&doing));
    Ok(conduct(bench, &script, &order.script_in, stage))
}

fn script_of(opened: &Opened, other: Option<&Script>) -> Script {
    let recorded = || Script { path: PathBuf::from(&opened.script), source: opened.source.clone() };
    match other {
        Some(other) if sha256(&other.source) != opened.script_sha256 => other.clone(),
        _ => recorded(),
    }
}
