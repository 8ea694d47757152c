//! `wattproof status`: how every bench of the daemon stands, and what runs or waits there.

use clap::Args;
use serde_json::Value;
use wattproof_serve::{Bench, Job};

use crate::client::{Status, WhichDaemon, block_on, which};
use crate::failure::Failure;
use crate::queue::job_table;
use crate::say::{say, say_json};
use crate::table::{plain_table, printed};

/// Benches that are told at length unless one is named; more are a table.
const AT_LENGTH: usize = 2;

/// `status`.
#[derive(Args)]
pub struct StatusOrder {
    /// Only this bench, by its name, the beginning of it, or its bench file [default: every bench]
    #[arg(long, value_name = "BENCH")]
    pub bench: Option<String>,
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
    let told: Vec<&Bench> = match &order.bench {
        Some(asked) => {
            vec![which(&status.benches, asked).map_err(|error| Failure::Said(error.to_string()))?]
        }
        None => status.benches.iter().collect(),
    };
    say(&format!("daemon {}, runs in {}", status.version, status.results.display()))?;
    if told.len() > AT_LENGTH {
        say(&format!("\n{}", bench_table(&told, &status)))?;
        for bench in &told {
            if let Some(tripped) = tripped(bench) {
                say(&format!("\n{} TRIPPED: {tripped}", bench.name))?;
            }
            if let Some(why) = &bench.lost {
                say(&format!("\n{} NOT OPENED: {why}", bench.name))?;
            }
        }
    } else {
        for bench in &told {
            say(&format!("\n{}", about(bench)))?;
        }
    }
    let is_told = |job: &&Job| job.ended_utc.is_none() && told.iter().any(|bench| bench.bench == job.bench);
    let open: Vec<&Job> = status.jobs.iter().filter(is_told).collect();
    if open.is_empty() {
        return say("\nnothing runs and nothing waits");
    }
    say(&format!("\n{}", job_table(&open, &status.benches)))
}

/// A line a bench.
fn bench_table(benches: &[&Bench], status: &Status) -> String {
    let mut table = plain_table(&["bench", "guard", "outputs", "job", "waiting"]);
    for bench in benches {
        let waiting =
            status.jobs.iter().filter(|job| job.bench == bench.bench && job.state.is_ahead()).count();
        let job = bench.job.and_then(|job| status.job(job)).map(|job| format!("{} {}", job.job, job.script));
        let trip = match (&bench.latched, &bench.lost) {
            (Some(_), _) => ", TRIPPED",
            (None, Some(_)) => ", NOT OPENED",
            (None, None) => "",
        };
        table.add_row([
            bench.name.clone(),
            format!("{}{trip}", bench.guard.word()),
            outputs(bench).split([',', ':']).next().unwrap_or_default().into(),
            job.unwrap_or_default(),
            if waiting == 0 { String::new() } else { waiting.to_string() },
        ]);
    }
    printed(table)
}

/// The trip that waits for a person, and what to do.
fn tripped(bench: &Bench) -> Option<String> {
    let latched = bench.latched.as_ref()?;
    let name = &bench.name;
    Some(format!("{}; look at the bench, then `wattproof reset --bench {name:?}`", latched.cause))
}

fn about(bench: &Bench) -> String {
    let mut table = plain_table(&[]);
    let invented = if bench.invented { ", invented" } else { "" };
    table.add_row(["bench", &format!("{}{invented}", bench.name)]);
    table.add_row(["guard", bench.guard.word()]);
    table.add_row(["outputs", outputs(bench)]);
    let number = |value: Option<f64>, unit: &str| value.map(|value| format!("{value:.2} {unit}"));
    let read =
        [number(bench.supply_v, "V"), number(bench.supply_a, "A"), number(bench.heatsink_c, "°C heatsink")];
    let read: Vec<String> = read.into_iter().flatten().collect();
    if let Some(at) = bench.read_utc.filter(|_| !read.is_empty()) {
        table.add_row(["measured", &format!("{} at {}", read.join(", "), at.format("%H:%M:%S UTC"))]);
    }
    if let Some(what) = tripped(bench) {
        table.add_row(["TRIPPED", &what]);
    }
    if let Some(why) = &bench.lost {
        table.add_row(["NOT OPENED", why]);
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
