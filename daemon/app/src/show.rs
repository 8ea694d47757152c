//! `wattproof show`: a recorded run in short: how it ended, its ratings, under which conditions, and what a reader must
//! know before believing a number.

use std::path::PathBuf;

use clap::Args;
use wattproof_report::{Fact, Outline, outline};
use wattproof_runs::{RATINGS_FILE, RatingsFile};

use crate::cli::WhichRun;
use crate::client::WhichDaemon;
use crate::failure::Failure;
use crate::findings_table::findings_table;
use crate::ratings_table::ratings_table;
use crate::run_folder::folder_of;
use crate::runs::{all_runs, ended};
use crate::say::{say, say_json};
use crate::table::{plain_table, printed};

/// `show`.
#[derive(Args)]
pub struct ShowOrder {
    /// The run's folder, or its name below the folder of all runs
    pub run: PathBuf,
    /// Folder of all runs [default: the daemon's, or results where no daemon answers]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print it as JSON
    #[arg(long)]
    pub json: bool,
    /// Which daemon
    #[command(flatten)]
    pub daemon: WhichDaemon,
}

/// Reads the run's folder, prints.
pub fn show(order: &ShowOrder) -> Result<(), Failure> {
    let folder = if order.run.is_dir() {
        order.run.clone()
    } else {
        let out = all_runs(order.out.as_deref(), &order.daemon)?;
        folder_of(&WhichRun { run: order.run.clone(), out })?
    };
    let outline = outline(&folder)?;
    if order.json {
        return say_json(&outline);
    }
    say(&head(&outline))?;
    if folder.join(RATINGS_FILE).exists() {
        say(&format!("\n{}", ratings_table(&RatingsFile::read(&folder)?.ratings)))?;
    }
    if !outline.findings.is_empty() {
        say(&format!("\n{}", findings_table(&outline.findings)))?;
    }
    for (title, facts) in [("not judged", &outline.unanswered), ("conditions", &outline.conditions)] {
        if !facts.is_empty() {
            say(&format!("\n{title}:\n{}", fact_table(facts)))?;
        }
    }
    say("\nto know before believing a number:")?;
    if outline.deviations.is_empty() {
        return say("  nothing that the record tells");
    }
    for deviation in &outline.deviations {
        let mut table = plain_table(&[]);
        table.add_row(["-", deviation]);
        say(&printed(table))?;
    }
    Ok(())
}

fn head(outline: &Outline) -> String {
    let brief = &outline.brief;
    let invented = if brief.invented { ", invented" } else { "" };
    let mut facts = vec![
        ("run", brief.run.clone()),
        ("amplifier", format!("{}{invented}", brief.amplifier)),
        ("serial", brief.serial.clone().unwrap_or_else(|| "not given".into())),
        ("bench", brief.bench.clone()),
        ("script", brief.script.clone()),
        ("parameters", outline.parameters.clone()),
        ("began", brief.started_utc.clone()),
        ("ended", brief.ended_utc.clone().unwrap_or_else(|| "no end is recorded".into())),
        ("how", ended(brief).into()),
    ];
    facts.extend(outline.error.iter().map(|error| ("why", error.clone())));
    let mut table = plain_table(&[]);
    for (name, value) in facts {
        table.add_row([name, &value]);
    }
    printed(table)
}

fn fact_table(facts: &[Fact]) -> String {
    let mut table = plain_table(&[]);
    for fact in facts {
        table.add_row([&fact.name, &fact.value]);
    }
    printed(table)
}
