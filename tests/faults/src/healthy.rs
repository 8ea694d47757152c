//! Any script on a healthy bench in virtual time, recorded on the machine's own disk.

use std::path::PathBuf;
use std::sync::Arc;

use wattproof_runs::{
    Event, MachineDisk, Outcome, RunError, RunOrder, RunSummary, Script, ScriptIn, Set, Watcher,
};

use crate::schedule::{Unplayable, open_file, stand_up};
use crate::setup;

/// Time at power that a search may take, s.
const SEARCH_S: f64 = 120.0;

struct Unwatched;

impl Watcher for Unwatched {
    fn tell(&self, _: &Event<'_>) {}
}

/// How a script went on a healthy bench, and what it came to.
#[derive(Debug)]
pub struct Performed {
    /// How it ended.
    pub ended: String,
    /// Whether it came to its end by itself, with everything off.
    pub finished: bool,
}

/// Performs any script on a healthy bench in virtual time. `results`: an empty folder.
///
/// # Errors
/// [`Unplayable`].
pub fn perform(name: &str, text: &str, results: PathBuf) -> Result<Performed, Unplayable> {
    let site = stand_up(1, &[])?;
    site.log().forget();
    let daemon = site.boots();
    let mut file = setup::bench_file().map_err(|error| Unplayable(error.to_string()))?;
    // A search takes longer than what schedules are to come close to.
    file.limits.power_s_max = SEARCH_S;
    let bench = open_file(&site, daemon, None, file).map_err(|error| Unplayable(error.to_string()))?;
    let bench = Arc::new(bench);
    site.opened(&bench);
    let order = order(name, text.into(), results);
    let summary = wattproof_runs::run(&bench, &order, Arc::new(Unwatched));
    let (ended, finished) = ending(&summary);
    drop(summary);
    drop(bench);
    site.closed();
    site.end();
    Ok(Performed { ended, finished })
}

/// A run of a script, recorded on this machine's disk.
pub(crate) fn order(name: &str, source: String, results: PathBuf) -> RunOrder {
    RunOrder {
        script: Script { path: PathBuf::from(format!("{name}.rhai")), source },
        script_in: ScriptIn::Here,
        set: Set::new(),
        nameplate: setup::nameplate(),
        results,
        disk: Arc::new(MachineDisk),
        selfcheck: true,
    }
}

/// How a run ended, and whether by itself with everything off.
pub(crate) fn ending(summary: &Result<RunSummary, RunError>) -> (String, bool) {
    match summary {
        Ok(told) => {
            let error = told.error.as_ref().map(ToString::to_string).unwrap_or_default();
            (format!("{:?} {error}", told.outcome), told.outcome == Outcome::Finished && told.safe.is_safe())
        }
        Err(error) => (format!("not begun: {error}"), false),
    }
}
