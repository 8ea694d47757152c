//! Computes a run again from its stored captures: the script is performed against the journal alone, every reading comes
//! from the samples, and everything must be what the journal says, bit for bit.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::captures::{CaptureRef, load};
use crate::host::{Host, Script, Stopping, perform_here, set_of};
use crate::record::{Divergence, RecordedBench};
use crate::resume::read_history;
use crate::selfcheck::check_first;
use crate::served::leave_out;
use crate::stage::Stage;
use crate::{Event, Finding, RatingResult, RunError, RunFolder, Watcher};

/// What was computed again and found equal.
#[derive(Debug)]
pub struct Recomputed {
    /// Captures read from their files.
    pub captures: usize,
    /// Steps computed from them.
    pub steps: u64,
    /// Ratings judged from those.
    pub results: Vec<RatingResult>,
    /// What the script found out from them.
    pub findings: Vec<Finding>,
    /// Whether the run had come to its end; otherwise everything up to where it was cut off.
    pub whole: bool,
}

struct Unwatched;

impl Watcher for Unwatched {
    fn tell(&self, _: &Event<'_>) {}
}

/// Computes the run in a folder again.
///
/// # Errors
/// [`RunError::Diverged`] with the first line that comes out otherwise; [`RunError::Capture`] for a capture that is
/// missing or altered; others when the journal can't be understood.
pub fn recompute(folder: &Path) -> Result<Recomputed, RunError> {
    let folder = RunFolder::open(folder)?;
    let (read, history) = read_history(&folder)?;
    let mut captures = 0;
    // All of them, those that a resumed run left behind too.
    for line in read.lines.iter().filter(|line| line.kind == "done") {
        let stored = line.data.get("captured").and_then(|captured| captured.get("capture"));
        if let Some(stored) =
            stored.and_then(|stored| serde_json::from_value::<CaptureRef>(stored.clone()).ok())
        {
            load(folder.disk().as_ref(), folder.path(), &stored)?;
            captures += 1;
        }
    }
    let script =
        Script { path: PathBuf::from(&history.opened.script), source: history.opened.source.clone() };
    let (nameplate, set) = (history.opened.nameplate.clone(), set_of(&history.opened.parameters));
    let recorded = RecordedBench::replayed(history, folder);
    let stage = Stage::new(recorded, nameplate, set, None, Arc::new(Unwatched));
    let mut host = Host::new(stage);
    let ready = leave_out(&mut host.stage).and_then(|()| check_first(&mut host.stage));
    let (host, performed) = match ready {
        Ok(()) => perform_here(&script, host, Stopping::never(), None),
        Err(error) => (host, Err(error)),
    };
    let stage = host.stage;
    let left = stage.bench.lines_left();
    let whole = match performed {
        Ok(()) => true,
        // A script that failed, a bench found wrong, or a run that was cut off: everything there is was computed again.
        Err(
            RunError::JournalEnds | RunError::Script(_) | RunError::SelfCheck(_) | RunError::NothingServed(_),
        ) if left == 0 => false,
        Err(error) => return Err(error),
    };
    if left > 0 {
        return Err(RunError::Diverged(Divergence {
            line: read.lines.len() as u64 - left as u64 + 1,
            recorded: format!("{left} more lines"),
            now: "the end of the script".into(),
        }));
    }
    Ok(Recomputed {
        captures,
        steps: stage.step_count(),
        results: stage.results,
        findings: stage.findings,
        whole,
    })
}
