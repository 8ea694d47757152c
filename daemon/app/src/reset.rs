//! `wattproof reset`: a person looks at a latched trip and, once its cause is gone, lets the bench be armed again.

use std::io::{BufRead, IsTerminal, Read};

use wattproof_bench::{Bench, BenchFile, Extras, Standing, check_dialects};

use crate::cautions::CAUTIONS;
use crate::cli::ResetOrder;
use crate::client::{bench_file_of, reset_through_daemon};
use crate::descriptors::enough_descriptors;
use crate::failure::Failure;
use crate::say::say;
use crate::state_folder::{same_name, state_folder};

/// Longest answer that is read: a number of twenty digits.
const TYPED_BYTES_MAX: u64 = 100;

/// Opens the bench (which switches everything off), tells what stands, and resets it when told the number.
pub fn reset(order: &ResetOrder) -> Result<(), Failure> {
    let path = bench_file_of(order.bench.as_deref(), order.state.as_deref())?;
    let file = BenchFile::read(&path)?;
    same_name(order.held_as.as_deref(), &file.name, &path)?;
    check_dialects(&file)?;
    if !order.tell && reset_through_daemon(order, &file.name, &path)? {
        return Ok(());
    }
    enough_descriptors()?;
    let state_folder = state_folder(order.state.as_deref(), &file.name);
    let bench = Bench::open_with_extras(file, Extras { state_folder, ..Extras::default() })?;
    let Some(standing) = bench.standing() else {
        return say("no trip is latched: every output is off and the bench may be armed");
    };
    if order.tell {
        // The daemon's page has shown cautions and cause to a person, who quoted the trip's own number.
        say(&serde_json::json!({ "number": standing.nonce.to_string() }).to_string())?;
        return quoted(&bench, standing.nonce).and_then(|()| said_reset());
    }
    aside!("{CAUTIONS}\n");
    say(&told(&standing))?;
    ask_for_number(&standing.nonce.to_string(), order.from_pipe)?;
    quoted(&bench, standing.nonce)?;
    said_reset()
}

/// Asks a person at a terminal for the number of the trip that stands.
pub fn ask_for_number(number: &str, from_pipe: bool) -> Result<(), Failure> {
    if !std::io::stdin().is_terminal() && !from_pipe {
        return Err(Failure::Said(
            "a person must look at the bench and type the number: run this in a terminal".into(),
        ));
    }
    say(&format!(
        "If the cause is gone and nobody touches the bench, type {number} to reset it; anything else leaves it as it is:"
    ))
}

/// What a person types.
pub fn typed() -> Result<String, Failure> {
    let mut typed = String::new();
    std::io::stdin()
        .lock()
        .take(TYPED_BYTES_MAX)
        .read_line(&mut typed)
        .map_err(|source| Failure::System { what: "reading the number", source })?;
    Ok(typed.trim().into())
}

/// Says that the trip is gone.
pub fn said_reset() -> Result<(), Failure> {
    say("reset: every output is off and was measured dead; the bench may be armed again")
}

/// Resets if the number that is typed is that one.
fn quoted(bench: &Bench, nonce: u64) -> Result<(), Failure> {
    if typed()?.parse() != Ok(nonce) {
        return Err(Failure::Said("not reset: the number was not that one".into()));
    }
    let report = bench.reset(nonce)?;
    for warning in &report.warnings {
        aside!("wattproof: {warning}");
    }
    if report.is_safe() { Ok(()) } else { Err(Failure::NotSafe) }
}

fn told(standing: &Standing) -> String {
    let mut lines = vec![format!("This bench tripped: {}", standing.cause)];
    if let Some(at) = standing.at_unix_s.and_then(|s| i64::try_from(s).ok()) {
        let at = chrono::DateTime::from_timestamp(at, 0).map(|at| at.to_rfc3339());
        lines.push(format!("  when: {}", at.unwrap_or_default()));
    }
    for evidence in &standing.evidence {
        lines.push(format!("  after it: {}", evidence.cause));
    }
    if standing.evidence_more > 0 {
        lines.push(format!("  and {} more", standing.evidence_more));
    }
    lines.join("\n")
}
