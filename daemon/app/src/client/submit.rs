//! `wattproof run` where a daemon holds the bench: the files' texts are submitted as they are now, and the run is
//! followed to its end.

use std::path::Path;

use chrono::{DateTime, Utc};
use clap::Args;
use serde::Serialize;
use wattproof_runs::Set;
use wattproof_serve::{Bench, Hold, Job};

use super::holds::moment;
use super::socket::Socket;
use super::status::Status;
use super::{block_on, follow};
use crate::cautions::CAUTIONS;
use crate::cli::RunOnPorts;
use crate::failure::Failure;
use crate::follow::Wish;
use crate::perform::Ran;
use crate::say::say;
use crate::state_folder::all_state;

/// What the daemon does with a run.
#[derive(Args)]
pub struct ThroughDaemon {
    /// Run in this process even where a daemon holds the bench; refused while a run of the daemon's is under way there
    #[arg(long, conflicts_with_all = ["leave", "hold", "hold_until"])]
    pub here: bool,
    /// Hand the run to the daemon, print its job and return
    #[arg(long)]
    pub leave: bool,
    /// Let it wait at the daemon until a person releases it (`wattproof queue release JOB`)
    #[arg(long, conflicts_with_all = ["hold_until", "cool_to"])]
    pub hold: bool,
    /// Let it wait at the daemon until then: 22:30 (this machine's clock), or 2026-01-02T22:30:00Z
    #[arg(long, value_name = "MOMENT", value_parser = moment, conflicts_with = "cool_to")]
    pub hold_until: Option<DateTime<Utc>>,
}

impl ThroughDaemon {
    /// Whether it can't be had without a daemon.
    fn wants_daemon(&self) -> bool {
        self.leave || self.hold || self.hold_until.is_some()
    }
}

/// A run that is wanted.
#[derive(Serialize)]
pub struct JobAsked<'a> {
    /// On which bench.
    pub bench: &'a str,
    /// The script.
    pub script: FileAsked<'a>,
    /// The nameplate.
    pub nameplate: FileAsked<'a>,
    /// What is set of the script's parameters.
    pub set: &'a Set,
    /// What it waits for besides its turn.
    pub hold: Option<Hold>,
    /// Whether the bench is not checked before the script.
    pub without_selfcheck: bool,
    /// Whether the script is not rehearsed on a simulated bench first.
    pub unrehearsed: bool,
}

/// A file with its text as it is now.
#[derive(Serialize)]
pub struct FileAsked<'a> {
    name: String,
    text: &'a str,
}

impl<'a> FileAsked<'a> {
    /// Under its own name, as far as the daemon takes that.
    pub fn of(path: &Path, ending: &str, text: &'a str) -> Self {
        FileAsked { name: plain_name(path, ending), text }
    }
}

/// Hands a run to the daemon that holds its bench and follows it; nothing where no daemon does, or this process was asked
/// for.
pub fn run_through_daemon(
    order: &RunOnPorts,
    (bench, file): (&str, &Path),
    source: &str,
    set: &Set,
) -> Result<Option<Ran>, Failure> {
    let Some(state) = all_state(order.state.as_deref()) else { return Ok(None) };
    let socket = Socket::of(&state);
    block_on(async {
        let status = match Status::ask(&socket).await {
            Ok(status) => status,
            Err(error) if error.is_nobody() => return here(order, &error.to_string()),
            // A daemon that can't be asked may be running something on that very bench; its ports' locks tell.
            Err(error) if order.daemon.here => return here(order, &error.to_string()),
            Err(error) => {
                return Err(Failure::Said(format!(
                    "{error}\n`wattproof stop` switches everything off; `wattproof run --here` runs without the daemon"
                )));
            }
        };
        let held = match status.holding(bench, file)? {
            Ok(held) => held,
            // Somebody who has a daemon expects it there.
            Err(why_not) => {
                if !order.daemon.wants_daemon() && !order.daemon.here {
                    aside!("this process runs it itself: {why_not}");
                }
                return here(order, &why_not);
            }
        };
        if order.daemon.here {
            not_under_way(&status, held)?;
            return here(order, "--here was asked for");
        }
        same_results(order, &status)?;
        aside!("{CAUTIONS}\n");
        let nameplate = wattproof_texts::read_text(&order.nameplate)
            .map_err(|source| Failure::File { path: order.nameplate.clone(), source })?;
        let asked = JobAsked {
            bench: &held.bench,
            script: FileAsked::of(&order.script, ".rhai", source),
            nameplate: FileAsked::of(&order.nameplate, ".toml", &nameplate),
            set,
            hold: hold(order),
            without_selfcheck: order.without_selfcheck,
            unrehearsed: order.unrehearsed,
        };
        let job: Job = socket.post("/jobs", &asked).await?;
        if order.daemon.leave {
            say(&format!("job {} waits at the daemon for {}", job.job, held.name))?;
            return Ok(Some(Ran { folder: None, ended: Ok(()) }));
        }
        // What was told before it was in the queue is of no interest.
        let status = Status::ask(&socket).await?;
        let job = status.job(job.job).cloned().unwrap_or(job);
        Ok(Some(follow(&socket, &status, job, ask(order)).await?))
    })?
}

/// The run is performed by this process, unless something was asked for that only a daemon can do.
fn here(order: &RunOnPorts, why: &str) -> Result<Option<Ran>, Failure> {
    if order.daemon.wants_daemon() {
        return Err(Failure::Said(format!(
            "{why}: --leave, --hold and --hold-until need a daemon that holds this bench"
        )));
    }
    tracing::info!("this process runs it itself: {why}");
    Ok(None)
}

/// How it is told what came out.
fn ask(order: &RunOnPorts) -> Wish {
    Wish { json: order.json, untold: order.untold, ..Wish::default() }
}

fn not_under_way(status: &Status, held: &Bench) -> Result<(), Failure> {
    let Some(job) = held.job else { return Ok(()) };
    let script = status.job(job).map_or("a script", |job| job.script.as_str());
    Err(Failure::Said(format!(
        "job {job} of the daemon ({script}) holds {}: wait until it is over, or stop it with `wattproof stop --bench {}`; nothing was begun",
        held.name, held.bench
    )))
}

/// A daemon records in its own folder alone.
fn same_results(order: &RunOnPorts, status: &Status) -> Result<(), Failure> {
    let Some(out) = &order.out else { return Ok(()) };
    if out.canonicalize().is_ok_and(|out| out == status.results) {
        return Ok(());
    }
    Err(Failure::Said(format!(
        "the daemon that holds this bench records in {}, not in {}: leave --out out, or run with --here",
        status.results.display(),
        out.display()
    )))
}

fn hold(order: &RunOnPorts) -> Option<Hold> {
    match (order.daemon.hold_until, order.cool_to) {
        _ if order.daemon.hold => Some(Hold::ByPerson(true)),
        (Some(then), _) => Some(Hold::UntilUtc(then)),
        (None, Some(c)) => Some(Hold::HeatsinkCMax(c)),
        (None, None) => None,
    }
}

/// A file's name as the daemon takes it: letters, digits, dots, dashes and underlines, with that ending.
fn plain_name(path: &Path, ending: &str) -> String {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let plain = |c: char| if c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-') { c } else { '_' };
    let stem = name.strip_suffix(ending).unwrap_or(&name).trim_start_matches(['.', '-']);
    let stem: String = stem.chars().map(plain).take(80).collect();
    let stem = if stem.is_empty() { "unnamed" } else { &stem };
    format!("{stem}{ending}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the daemon takes for a name is the project's own definition.
    #[test]
    fn any_file_gets_a_name_that_the_daemon_takes() {
        for (path, name) in [
            ("scripts/rated_power.rhai", "rated_power.rhai"),
            ("/a b/my tést.rhai", "my_t_st.rhai"),
            (".hidden", "hidden.rhai"),
            ("--x.rhai", "x.rhai"),
            ("x.txt", "x.txt.rhai"),
            ("/", "unnamed.rhai"),
        ] {
            assert_eq!(plain_name(Path::new(path), ".rhai"), name);
        }
        assert!(plain_name(Path::new(&"x".repeat(300)), ".rhai").len() <= 100);
    }
}
