//! `wattproof runs`: the recorded runs, newest first, each in a line.

use std::path::{Path, PathBuf};

use clap::Args;
use comfy_table::{CellAlignment, ColumnConstraint};
use serde_json::{Value, json};
use wattproof_report::{RunBrief, brief};

use crate::client::{QUICK, Status, WhichDaemon, block_on};
use crate::failure::Failure;
use crate::say::{say, say_json};
use crate::table::{plain_table, printed};

/// `runs`.
#[derive(Args)]
pub struct RunsOrder {
    /// Folder of all runs [default: the daemon's, or results where no daemon answers]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print them as JSON
    #[arg(long)]
    pub json: bool,
    /// Which daemon
    #[command(flatten)]
    pub daemon: WhichDaemon,
}

/// A run, or why it can't be read.
type Told = Result<RunBrief, (String, String)>;

/// Reads the folder, prints.
pub fn runs(order: &RunsOrder) -> Result<(), Failure> {
    let folder = all_runs(order.out.as_deref(), &order.daemon)?;
    let told = read(&folder)?;
    if order.json {
        let runs = told.iter().map(|one| match one {
            Ok(brief) => serde_json::to_value(brief).unwrap_or(Value::Null),
            Err((run, why)) => json!({ "run": run, "damaged": why }),
        });
        return say_json(&json!({ "runs": runs.collect::<Vec<_>>() }));
    }
    if told.is_empty() {
        return say(&format!("no run is recorded in {}", folder.display()));
    }
    say(&table(&told))
}

/// The folder of all runs: as named, or that of the daemon that answers, or `results`.
pub fn all_runs(named: Option<&Path>, daemon: &WhichDaemon) -> Result<PathBuf, Failure> {
    if let Some(named) = named {
        return Ok(named.into());
    }
    let asked = match daemon.socket() {
        Ok(socket) => block_on(Status::ask(&socket.within(QUICK)))?.map(|status| status.results),
        Err(_) => return Ok("results".into()),
    };
    Ok(asked.unwrap_or_else(|error| {
        tracing::info!("the folder results is looked at: {error}");
        "results".into()
    }))
}

fn read(folder: &Path) -> Result<Vec<Told>, Failure> {
    let wrap = |source| Failure::File { path: folder.into(), source };
    let mut names = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(wrap)? {
        let entry = entry.map_err(wrap)?;
        if entry.path().join(wattproof_runs::JOURNAL_FILE).exists() {
            names.push(entry.file_name().to_string_lossy().into_owned());
        }
    }
    // Names begin with the time.
    names.sort_by(|a, b| b.cmp(a));
    let told = |run: String| brief(&folder.join(&run)).map_err(|error| (run, error.to_string()));
    Ok(names.into_iter().map(told).collect())
}

fn table(told: &[Told]) -> String {
    // Where all are of one bench, there is nothing to tell apart.
    let several = {
        let mut benches: Vec<&str> = told.iter().flatten().map(|brief| brief.bench.as_str()).collect();
        benches.sort_unstable();
        benches.dedup();
        benches.len() > 1
    };
    let mut header = vec!["run", "amplifier", "script", "steps", "ended", "ratings"];
    if several {
        header.insert(2, "bench");
    }
    let mut table = plain_table(&header);
    for one in told {
        let mut row = match one {
            Ok(brief) => vec![
                brief.run.clone(),
                format!("{}{}", brief.amplifier, if brief.invented { " (invented)" } else { "" }),
                brief.script.trim_end_matches(".rhai").into(),
                brief.steps.to_string(),
                ended(brief).into(),
                verdicts(brief),
            ],
            Err((run, why)) => {
                vec![
                    run.clone(),
                    String::new(),
                    String::new(),
                    String::new(),
                    "can't be read".into(),
                    why.clone(),
                ]
            }
        };
        if several {
            row.insert(2, one.as_ref().map_or_else(|_| String::new(), |brief| brief.bench.clone()));
        }
        table.add_row(row);
    }
    // A name that is broken can't be copied.
    if let Some(column) = table.column_mut(0) {
        column.set_constraint(ColumnConstraint::ContentWidth);
    }
    if let Some(column) = table.column_mut(header.len() - 3) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    printed(table)
}

/// How a run ended, in a word.
pub fn ended(brief: &RunBrief) -> &'static str {
    use wattproof_runs::Outcome::{Failed, Finished, Stopped};
    match brief.outcome {
        Some(Finished) => "finished",
        Some(Stopped) => "stopped",
        Some(Failed) => "failed",
        None => "not ended",
    }
}

/// How many ratings came out how; of one that was judged twice the last counts.
fn verdicts(brief: &RunBrief) -> String {
    let last: std::collections::BTreeMap<usize, String> =
        brief.ratings.iter().map(|rating| (rating.rating, rating.verdict.to_string())).collect();
    let count = |word: &str| last.values().filter(|verdict| *verdict == word).count();
    let words: Vec<String> = ["meets", "short", "undecided"]
        .into_iter()
        .filter(|word| count(word) > 0)
        .map(|word| format!("{} {word}", count(word)))
        .collect();
    if words.is_empty() { "none".into() } else { words.join(", ") }
}
