//! `wattproof status`: how every bench of the daemon stands, and what runs or waits there.

use clap::Args;
use serde_json::Value;
use wattproof_serve::{Bench, Job};

use crate::client::{Status, WhichDaemon, block_on};
use crate::failure::Failure;
use crate::queue::job_table;
use crate::say::{say, say_json};
use crate::table::{plain_table, printed};

/// `status`.
#[derive(Args)]
pub struct StatusOrder {
    /// Print what the daemon tells as JSON (keys: /api/v1/openapi.json of the daemon)
    #[arg(long)]
    pub json: bool,
    /// Which daemon
    #[command(flatten)]
    pub daemon: WhichDaemon,
}

/// Asks the daemon, prints.
pub fn status(order: &StatusOrder) -> Result<(), Failure> {
    let socket = order.daemon.socket()?;
    if order.json {
        let told: Value = block_on(socket.get("/status"))??;
        return say_json(&told);
    }
    let status = block_on(Status::ask(&socket))??;
    say(&format!("daemon {}, runs in {}", status.version, status.results.display()))?;
    for bench in &status.benches {
        say(&format!("\n{}", about(bench)))?;
    }
    let open: Vec<&Job> = status.jobs.iter().filter(|job| job.ended_utc.is_none()).collect();
    if open.is_empty() {
        return say("\nnothing runs and nothing waits");
    }
    say(&format!("\n{}", job_table(&open)))
}

fn about(bench: &Bench) -> String {
    let mut table = plain_table(&[]);
    let invented = if bench.invented { ", invented" } else { "" };
    table.add_row(["bench", &format!("{}{invented} (--bench {})", bench.name, bench.bench)]);
    table.add_row(["guard", bench.guard.word()]);
    table.add_row(["outputs", outputs(bench)]);
    let number = |value: Option<f64>, unit: &str| value.map(|value| format!("{value:.2} {unit}"));
    let read =
        [number(bench.supply_v, "V"), number(bench.supply_a, "A"), number(bench.heatsink_c, "°C heatsink")];
    let read: Vec<String> = read.into_iter().flatten().collect();
    if let Some(at) = bench.read_utc.filter(|_| !read.is_empty()) {
        table.add_row(["measured", &format!("{} at {}", read.join(", "), at.format("%H:%M:%S UTC"))]);
    }
    if let Some(latched) = &bench.latched {
        let what =
            format!("{}; look at the bench, then `wattproof reset --bench {}`", latched.cause, bench.file);
        table.add_row(["TRIPPED", &what]);
    }
    table.add_row(["file", &bench.file]);
    printed(table)
}

fn outputs(bench: &Bench) -> &'static str {
    use wattproof_serve::OutputsState::{Live, Off, Unknown};
    match bench.outputs {
        Off => "off, as last read back",
        Live => "LIVE",
        Unknown if bench.job.is_none() && bench.guard == wattproof_serve::GuardState::Closed => {
            "not known: no run has told this daemon yet"
        }
        Unknown => "NOT KNOWN: they may be live",
    }
}
