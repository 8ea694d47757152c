//! What the catalogue knows beside the run itself, as far as it is older than that.

use wattproof_catalogue::{Brief, Entry, Measured};

use super::Former;

/// What the catalogue knows.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// Runs of this serial number.
    pub history: Vec<Brief>,
    /// The entry of the run that [`Known::earlier`] names.
    pub before: Option<Entry>,
    /// What was measured by this script of the units of the model.
    pub population: Vec<Measured>,
}

impl Known {
    /// Of runs of a serial number the latest of a script, before a moment, that found anything: what a retest is compared
    /// with. Gives its key.
    #[must_use]
    pub fn earlier<'a>(history: &'a [Brief], script: &str, started_utc: &str) -> Option<&'a str> {
        let same =
            |run: &&Brief| run.script == script && run.findings > 0 && run.started_utc.as_str() < started_utc;
        let latest = history.iter().filter(same).max_by(|a, b| a.started_utc.cmp(&b.started_utc));
        latest.map(|run| run.key.as_str())
    }

    /// Without whatever began when this run did or later, and without this unit among the others.
    pub(super) fn until(&self, key: &str, serial: Option<&str>, started_utc: &str) -> Known {
        let is_older = |began: &str| began < started_utc;
        let is_other =
            |one: &Measured| one.key != key && (one.serial.is_none() || one.serial.as_deref() != serial);
        Known {
            history: self.history.iter().filter(|run| is_older(&run.started_utc)).cloned().collect(),
            before: self.before.clone().filter(|run| is_older(&run.started_utc)),
            population: (self.population.iter())
                .filter(|one| is_older(&one.started_utc) && is_other(one))
                .cloned()
                .collect(),
        }
    }

    /// The runs of this serial number, the latest first.
    pub(super) fn formers(&self) -> Vec<Former> {
        let mut runs: Vec<Former> = self.history.iter().map(Former::from).collect();
        runs.sort_by(|a, b| b.started_utc.cmp(&a.started_utc));
        runs
    }
}

impl From<&Brief> for Former {
    fn from(run: &Brief) -> Self {
        Former {
            run: run.run.clone(),
            started_utc: run.started_utc.clone(),
            script: run.script.clone(),
            outcome: run.outcome.clone(),
            verdict: run.verdict.clone(),
        }
    }
}

impl From<&Entry> for Former {
    fn from(run: &Entry) -> Self {
        Former {
            run: run.run.clone(),
            started_utc: run.started_utc.clone(),
            script: run.script.clone(),
            outcome: run.outcome.clone(),
            verdict: run.verdict.clone(),
        }
    }
}
