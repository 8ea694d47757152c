//! `wattproof rebuild` and `wattproof recompute`: what a run's journal and captures give again.

use clap::Args;
use wattproof_runs::{RatingRecord, rebuild, recompute};

use crate::cli::WhichRun;
use crate::failure::Failure;
use crate::findings_table::findings_table;
use crate::ratings_table::ratings_table;
use crate::run_folder::folder_of;
use crate::say::{say, say_json};

/// Writes every table of a run anew from its journal.
pub fn rebuild_tables(which: &WhichRun) -> Result<(), Failure> {
    let folder = folder_of(which)?;
    let changed = rebuild(&folder)?;
    if changed.is_empty() {
        return say(&format!("{}: every table is what the journal says", folder.display()));
    }
    say(&format!("{}: written anew from the journal: {}", folder.display(), changed.join(", ")))
}

/// `recompute`.
#[derive(Args)]
pub struct RecomputeOrder {
    /// Which run
    #[command(flatten)]
    pub which: WhichRun,
    /// Print what came out as JSON
    #[arg(long)]
    pub json: bool,
}

/// Computes every reading and rating of a run again from its captures.
pub fn recompute_run(order: &RecomputeOrder) -> Result<(), Failure> {
    let folder = folder_of(&order.which)?;
    let again = recompute(&folder)?;
    let records: Vec<RatingRecord> = again.results.iter().map(RatingRecord::from).collect();
    if order.json {
        return say_json(&serde_json::json!({
            "steps": again.steps,
            "captures": again.captures,
            "whole": again.whole,
            "ratings": records,
            "findings": again.findings,
        }));
    }
    if !records.is_empty() {
        say(&format!("{}\n", ratings_table(&records)))?;
    }
    if !again.findings.is_empty() {
        say(&format!("{}\n", findings_table(&again.findings)))?;
    }
    let part = if again.whole { "" } else { " (the run was cut off: everything up to there)" };
    say(&format!(
        "{}: {} steps, {} captures, {} ratings, {} findings: every bit is what the journal says{part}",
        folder.display(),
        again.steps,
        again.captures,
        again.results.len(),
        again.findings.len()
    ))
}
