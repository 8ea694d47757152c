//! `wattproof stop`: everything off, now. It asks the daemon with little patience; where that does not answer, it sends
//! the runs themselves a signal. It says off only of what was seen off.

use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use clap::Args;
use rustix::process::{Pid, Signal, kill_process, test_kill_process};
use serde::Deserialize;
use serde_json::{Value, json};
use wattproof_bench::read_latch;
use wattproof_guardian::{Holding, all_holding};
use wattproof_serve::{Bench, GuardState, OutputsState};

use crate::client::{AskError, QUICK, Socket, WhichDaemon, block_on, which};
use crate::failure::Failure;
use crate::say::say;
use crate::state_folder::{folder_name, state_folder};

/// Longest that outputs may take to be confirmed off.
const CONFIRMED_WITHIN: Duration = Duration::from_secs(10);
/// How often it is looked.
const LOOK: Duration = Duration::from_millis(50);

/// What its help says last.
pub const HOW: &str = "It asks the daemon and waits a second for its answer, then up to ten for every output to be confirmed \
    off. Where no daemon answers, the runs of this user on this machine (of every user, for root) are sent SIGTERM, which switches everything off. What \
    waits in the queue waits for a person from then on. This is no emergency stop: a contactor within reach comes first.\n\n\
    Exit codes: 0 every output is confirmed off, or no run holds a bench; 1 nobody could be asked; 3 NOT confirmed off: go \
    and look.";

/// `stop`.
#[derive(Args)]
pub struct StopOrder {
    /// Only this bench, by its name, the beginning of it, or its bench file [default: every bench]
    #[arg(long, value_name = "BENCH")]
    pub bench: Option<String>,
    /// Which daemon
    #[command(flatten)]
    pub daemon: WhichDaemon,
}

/// The benches of an answer.
#[derive(Deserialize)]
struct Benches {
    benches: Vec<Bench>,
}

/// Switches everything off and says whether that was confirmed.
pub fn stop(order: &StopOrder) -> Result<(), Failure> {
    let began = Instant::now();
    let mut hangs = None;
    if let Ok(socket) = order.daemon.socket() {
        let socket = socket.within(QUICK);
        match block_on(ask(&socket, order.bench.as_deref()))? {
            Ok((benches, asked_utc)) => return block_on(watch(&socket, &benches, began, asked_utc))?,
            Err(error) if error.is_nobody() => tracing::info!("{error}"),
            Err(error @ AskError::Refused(_)) => return Err(error.into()),
            Err(error @ AskError::NoSuchBench(_)) => {
                return Err(Failure::Said(format!(
                    "NOTHING WAS STOPPED: {error}; `wattproof stop` alone stops every bench"
                )));
            }
            Err(error) => {
                aside!("wattproof: {error}\nwattproof: the runs themselves are sent a signal");
                hangs = Some(error);
            }
        }
    }
    signal_runs(order, began, hangs)
}

/// The order to stop; the benches that it went to, and when.
async fn ask(socket: &Socket, bench: Option<&str>) -> Result<(Vec<String>, DateTime<Utc>), AskError> {
    let asked_utc = Utc::now();
    let Some(bench) = bench else {
        let told: Benches = socket.post("/stop", &json!(null)).await?;
        return Ok((told.benches.into_iter().map(|bench| bench.bench).collect(), asked_utc));
    };
    // A whole name is tried before anything else is asked: nothing is quicker.
    for id in [bench.to_string(), folder_name(bench)].into_iter().filter(|id| is_id(id)) {
        match stop_one(socket, &id).await {
            Ok(()) => return Ok((vec![id], asked_utc)),
            Err(error) if error.status() == Some(404) => {}
            Err(error) => return Err(error),
        }
    }
    let told: Benches = socket.get("/benches").await?;
    let meant = which(&told.benches, bench).map_err(AskError::NoSuchBench)?;
    stop_one(socket, &meant.bench).await?;
    Ok((vec![meant.bench.clone()], asked_utc))
}

async fn stop_one(socket: &Socket, id: &str) -> Result<(), AskError> {
    socket.post::<Value>(&format!("/benches/{id}/stop"), &json!(null)).await.map(|_| ())
}

/// Whether it can stand in an address as it is.
fn is_id(text: &str) -> bool {
    !text.is_empty() && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
}

/// How a bench stands after the order.
enum Stands {
    Off,
    /// No run held it, and none of this daemon's has told of its outputs.
    NotHeld,
    NotYet,
    /// Its run is over and did not see its outputs off.
    Alarm,
}

fn stands(bench: &Bench, asked_utc: DateTime<Utc>) -> Stands {
    let over = bench.guard == GuardState::Closed;
    // What was seen before the order may have been switched on since.
    let seen_since = bench.read_utc.is_some_and(|read| read > asked_utc);
    let settled = matches!(bench.guard, GuardState::Safe | GuardState::Tripped) && seen_since;
    match (bench.outputs, bench.guard) {
        (OutputsState::Off, _) if over || settled => Stands::Off,
        (OutputsState::Unknown, GuardState::Closed) => Stands::NotHeld,
        (_, GuardState::Alarm) if bench.job.is_none() => Stands::Alarm,
        _ => Stands::NotYet,
    }
}

/// Looks until every output is confirmed off.
async fn watch(
    socket: &Socket,
    benches: &[String],
    began: Instant,
    asked_utc: DateTime<Utc>,
) -> Result<(), Failure> {
    let mut open: Vec<String> = benches.to_vec();
    let mut alarm = false;
    let mut why = String::from("its run has not switched off yet");
    while !open.is_empty() && began.elapsed() < CONFIRMED_WITHIN {
        match socket.get::<Benches>("/benches").await {
            Ok(told) => {
                for bench in told.benches {
                    let Some(at) = open.iter().position(|id| *id == bench.bench) else { continue };
                    let words = match stands(&bench, asked_utc) {
                        Stands::NotYet => continue,
                        Stands::Off => format!("off, confirmed after {:.1} s", began.elapsed().as_secs_f64()),
                        Stands::NotHeld => {
                            "no run holds it, and none has told this daemon how its outputs are".into()
                        }
                        Stands::Alarm => {
                            alarm = true;
                            "NOT CONFIRMED OFF by the run that held it".into()
                        }
                    };
                    say(&format!("{}: {words}", bench.name))?;
                    open.remove(at);
                }
            }
            Err(error) => why = error.to_string(),
        }
        if !open.is_empty() {
            tokio::time::sleep(LOOK).await;
        }
    }
    if open.is_empty() && !alarm {
        return Ok(());
    }
    let waited = began.elapsed().as_secs_f64();
    let which = if open.is_empty() { "see above".into() } else { format!("{} ({why})", open.join(", ")) };
    Err(Failure::Unknown(format!(
        "ALARM: NOT CONFIRMED OFF after {waited:.0} s: {which}\ngo and look; cut the mains of what is still on"
    )))
}

/// Sends the runs of this user on this machine a signal, and waits until they are over.
fn signal_runs(order: &StopOrder, began: Instant, hangs: Option<AskError>) -> Result<(), Failure> {
    let wrap = |source| Failure::System { what: "looking who holds a bench on this machine", source };
    let us = rustix::process::geteuid().as_raw();
    let holding = chosen(order, all_holding().map_err(wrap)?)?;
    let (own, others): (Vec<Holding>, Vec<Holding>) =
        holding.into_iter().partition(|one| one.user == us || us == 0);
    for other in &others {
        aside!(
            "wattproof: process {} ({}) is user {}'s: have that user or root stop it",
            other.process,
            other.what_for,
            other.user
        );
    }
    for run in &own {
        if let Some(pid) = pid(run) {
            let sent = kill_process(pid, Signal::TERM);
            sent.map_err(|error| Failure::Unknown(format!(
                "ALARM: NOT STOPPED: process {} ({}) could not be sent SIGTERM ({error}): go and switch off by hand",
                run.process, run.what_for
            )))?;
            say(&format!("process {} ({}): sent SIGTERM", run.process, run.what_for))?;
        }
    }
    if own.is_empty() && others.is_empty() {
        return nobody(hangs);
    }
    let mut open: Vec<&Holding> = own.iter().collect();
    while !open.is_empty() && began.elapsed() < CONFIRMED_WITHIN {
        std::thread::sleep(LOOK);
        // The lock goes with the bench, which is closed once everything is off.
        let still = all_holding().map_err(wrap)?;
        open.retain(|run| still.contains(run) && pid(run).is_some_and(|pid| test_kill_process(pid).is_ok()));
    }
    let alarmed: Vec<String> = own.iter().filter_map(|run| in_alarm(order, run)).collect();
    if open.is_empty() && others.is_empty() && alarmed.is_empty() {
        return say(&format!(
            "over after {:.1} s: each run has let go of its bench, and none has left an alarm; what it saw stands at its own terminal and in its record",
            began.elapsed().as_secs_f64()
        ));
    }
    let open = open.into_iter().chain(&others);
    let open: Vec<String> = open.map(|run| format!("process {} ({})", run.process, run.what_for)).collect();
    Err(Failure::Unknown(format!(
        "ALARM: NOT CONFIRMED OFF: {}\ngo and look; cut the mains of what is still on",
        open.into_iter().chain(alarmed).collect::<Vec<_>>().join(", ")
    )))
}

/// The runs that hold the bench of a name; all without one. A slip in a name must not pass for a stop while runs hold
/// others: a bench that ever ran here has a folder for its state.
fn chosen(order: &StopOrder, holding: Vec<Holding>) -> Result<Vec<Holding>, Failure> {
    let Some(asked) = order.bench.as_deref() else { return Ok(holding) };
    let state = order.daemon.state.as_deref();
    let is_known = || state_folder(state, asked).is_some_and(|folder| folder.exists());
    let is_it =
        |one: &Holding| bench_name(one).is_some_and(|name| name == asked || folder_name(&name) == asked);
    let names: Vec<&str> = holding.iter().map(|one| one.what_for.as_str()).collect();
    if !names.is_empty() && !holding.iter().any(is_it) && !is_known() {
        return Err(Failure::Said(format!(
            "NOTHING WAS STOPPED: no run of this program holds a bench {asked:?}; runs hold {}; `wattproof stop` alone stops every bench",
            names.join(", ")
        )));
    }
    Ok(holding.into_iter().filter(is_it).collect())
}

/// Nothing of this program holds a bench.
fn nobody(hangs: Option<AskError>) -> Result<(), Failure> {
    say(
        "no run of this program holds a bench on this machine; that says nothing about what an instrument does by itself, or what another program does with it",
    )?;
    match hangs {
        None => Ok(()),
        Some(error) => Err(Failure::Said(format!(
            "{error}\nwhen it goes on it may begin the next run of its queue: end it first"
        ))),
    }
}

/// The bench's name in what a run says of itself.
fn bench_name(run: &Holding) -> Option<String> {
    serde_json::from_str(run.what_for.strip_prefix("bench ")?).ok()
}

fn pid(run: &Holding) -> Option<Pid> {
    i32::try_from(run.process).ok().and_then(Pid::from_raw)
}

/// What stands in the bench's state, if that is an output that was not confirmed off.
fn in_alarm(order: &StopOrder, run: &Holding) -> Option<String> {
    let bench = bench_name(run)?;
    let folder = state_folder(order.daemon.state.as_deref(), &bench)?;
    match read_latch(&folder) {
        Ok(latch) => latch.filter(|latch| latch.record.alarm).map(|_| format!("bench {bench:?}")),
        Err(error) => Some(format!("bench {bench:?} ({error})")),
    }
}
