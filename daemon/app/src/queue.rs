//! `wattproof queue`: what runs and waits at the daemon, and its order.

use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};
use comfy_table::CellAlignment;
use serde_json::json;
use wattproof_serve::{Bench, Hold, Job, typed};

use crate::cli::positive;
use crate::client::{Socket, Status, WhichDaemon, block_on, hold_words, moment, which};
use crate::failure::Failure;
use crate::say::{say, say_json};
use crate::table::{plain_table, printed};

/// `queue`.
#[derive(Args)]
pub struct QueueOrder {
    /// What to do; without a word, list what runs and waits
    #[command(subcommand)]
    pub what: Option<QueueWord>,
    /// List jobs that are over as well
    #[arg(long)]
    pub all: bool,
    /// List only what is for this bench, by its name, the beginning of it, or its bench file
    #[arg(long, value_name = "BENCH")]
    pub bench: Option<String>,
    /// Print jobs as JSON (keys: /api/v1/openapi.json of the daemon)
    #[arg(long, global = true)]
    pub json: bool,
    /// Which daemon
    #[command(flatten)]
    pub daemon: WhichDaemon,
}

/// What to do with the queue.
#[derive(Subcommand)]
pub enum QueueWord {
    /// List what runs and waits
    List {
        /// List jobs that are over as well
        #[arg(long)]
        all: bool,
    },
    /// Put a job that has not begun before another one of its bench, or at the end
    Move {
        /// The job's number
        job: u64,
        /// The job before which it is put
        #[arg(long, value_name = "JOB", required_unless_present = "to_end")]
        before: Option<u64>,
        /// Put it behind all others
        #[arg(long, conflicts_with = "before")]
        to_end: bool,
    },
    /// Let a job that has not begun wait: for a person who releases it, or for what is named
    Hold {
        /// The job's number
        job: u64,
        /// Until then: 22:30 (this machine's clock), or 2026-01-02T22:30:00Z
        #[arg(long, value_name = "MOMENT", value_parser = moment)]
        until: Option<DateTime<Utc>>,
        /// Until the heatsink is at or below this, °C; looked at once it is the job's turn, with everything off
        #[arg(long, value_name = "C", value_parser = positive, conflicts_with = "until")]
        cool_to: Option<f64>,
    },
    /// Let a held job wait for nothing but its turn
    Release {
        /// The job's number
        job: u64,
    },
    /// Take a job that has not begun off the queue
    Cancel {
        /// The job's number
        job: u64,
    },
}

/// Lists or changes the queue.
pub fn queue(order: &QueueOrder) -> Result<(), Failure> {
    let socket = order.daemon.socket()?;
    let (job, word, body) = match order.what {
        None => return list(&socket, order, order.all),
        Some(QueueWord::List { all }) => return list(&socket, order, all || order.all),
        Some(QueueWord::Move { job, before, .. }) => (job, "move", json!({ "before": before })),
        Some(QueueWord::Hold { job, until, cool_to }) => {
            let hold = match (until, cool_to) {
                (Some(then), _) => Hold::UntilUtc(then),
                (None, Some(c)) => Hold::HeatsinkCMax(c),
                (None, None) => Hold::ByPerson(true),
            };
            (job, "hold", json!({ "hold": hold }))
        }
        Some(QueueWord::Release { job }) => (job, "hold", json!({ "hold": null })),
        Some(QueueWord::Cancel { job }) => (job, "cancel", json!(null)),
    };
    let job: Job = block_on(socket.post(&format!("/jobs/{job}/{word}"), &body))??;
    if order.json { say_json(&job) } else { say(&format!("job {}: {}", job.job, stands(&job))) }
}

fn list(socket: &Socket, order: &QueueOrder, all: bool) -> Result<(), Failure> {
    let status = block_on(Status::ask(socket))??;
    let only = match &order.bench {
        Some(asked) => {
            let bench = which(&status.benches, asked).map_err(|error| Failure::Said(error.to_string()))?;
            Some(bench.bench.as_str())
        }
        None => None,
    };
    let is_wanted =
        |job: &&Job| (all || job.ended_utc.is_none()) && only.is_none_or(|only| job.bench == only);
    let wanted: Vec<&Job> = status.jobs.iter().filter(is_wanted).collect();
    if order.json {
        return say_json(&wanted);
    }
    if wanted.is_empty() {
        return say("nothing runs and nothing waits");
    }
    say(&job_table(&wanted, &status.benches))
}

/// Jobs as a table; the bench of each where there are several.
pub fn job_table(jobs: &[&Job], benches: &[Bench]) -> String {
    let several =
        benches.len() > 1 || jobs.iter().any(|job| benches.iter().all(|one| one.bench != job.bench));
    let mut header = vec!["job", "script", "amplifier", "stands"];
    if several {
        header.insert(1, "bench");
    }
    let mut table = plain_table(&header);
    for job in jobs {
        let invented = if job.invented { " (invented)" } else { "" };
        let mut row =
            vec![job.job.to_string(), script(job), format!("{}{invented}", job.amplifier), stands(job)];
        if several {
            // A bench that this daemon no longer holds has its address left.
            let bench = benches.iter().find(|bench| bench.bench == job.bench);
            row.insert(1, bench.map_or(&job.bench, |bench| &bench.name).clone());
        }
        table.add_row(row);
    }
    if let Some(column) = table.column_mut(0) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    printed(table)
}

/// The script with what was set of its parameters.
fn script(job: &Job) -> String {
    let set = job.set.iter().map(|(name, value)| format!(" {name}={}", typed(value)));
    std::iter::once(job.script.clone()).chain(set).collect()
}

/// Where a job stands, in words.
fn stands(job: &Job) -> String {
    let mut words = job.state.word().to_string();
    if let Some(place) = job.position {
        words += &format!(", place {place}");
    }
    if let Some(hold) = hold_words(job.hold).filter(|_| job.state.is_ahead()) {
        words += &format!(", {hold}");
    }
    if job.state.is_under_way() {
        let planned = job.steps_planned.map_or(String::new(), |planned| format!(" of {planned}"));
        words += &format!(", step {}{planned}", job.steps);
        if let Some(left_s) = job.left_s {
            words += &format!(", about {left_s:.0} s left");
        }
    }
    if let Some(outcome) = job.outcome {
        words += &format!(": {}", outcome.word().replace('_', " "));
    }
    words
}
