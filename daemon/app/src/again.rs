//! `wattproof rebuild` and `wattproof recompute`: what a run's journal and captures give again.

use wattproof_runs::{RatingRecord, rebuild, recompute};

use crate::cli::WhichRun;
use crate::failure::Failure;
use crate::ratings_table::ratings_table;
use crate::run_folder::folder_of;
use crate::say::say;

/// Writes every table of a run anew from its journal.
pub fn rebuild_tables(which: &WhichRun) -> Result<(), Failure> {
    let folder = folder_of(which)?;
    let changed = rebuild(&folder)?;
    if changed.is_empty() {
        return say(&format!("{}: every table is what the journal says", folder.display()));
    }
    say(&format!("{}: written anew from the journal: {}", folder.display(), changed.join(", ")))
}

/// Computes every reading and rating of a run again from its captures.
pub fn recompute_run(which: &WhichRun) -> Result<(), Failure> {
    let folder = folder_of(which)?;
    let again = recompute(&folder)?;
    let records: Vec<RatingRecord> = again.results.iter().map(RatingRecord::from).collect();
    if !records.is_empty() {
        say(&format!("{}\n", ratings_table(&records)))?;
    }
    let part = if again.whole { "" } else { " (the run was cut off: everything up to there)" };
    say(&format!(
        "{}: {} steps, {} captures, {} ratings: every bit is what the journal says{part}",
        folder.display(),
        again.steps,
        again.captures,
        again.results.len()
    ))
}
