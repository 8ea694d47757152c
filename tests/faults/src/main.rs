//! `wattproof-faults`: plays schedules of faults and tells what broke.

use std::io::Write;
use std::process::ExitCode;

use wattproof_faults::many::play_many;
use wattproof_faults::schedule::{Report, play};

const USAGE: &str = "\
wattproof-faults --seeds N [--first S] [--jobs J]   plays N schedules from seed S (1) on J threads (2)
wattproof-faults --seed S [--trace]                 plays one schedule; --trace shows every event";

/// Events shown of a schedule that failed.
const LAST_EVENTS: usize = 40;
/// Failed schedules shown in full.
const SHOWN: usize = 5;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match asked(&words) {
        Ok(Asked::Many { first, count, jobs }) => many(first, count, jobs),
        Ok(Asked::One { seed, trace }) => one(seed, trace),
        Err(what) => {
            eprintln!("{what}\n{USAGE}");
            ExitCode::from(2)
        }
    }
}

enum Asked {
    Many { first: u64, count: u64, jobs: usize },
    One { seed: u64, trace: bool },
}

fn asked(words: &[String]) -> Result<Asked, String> {
    let (mut seed, mut count, mut first, mut jobs, mut trace) = (None, None, 1, 2, false);
    let mut words = words.iter();
    while let Some(word) = words.next() {
        if word == "--trace" {
            trace = true;
            continue;
        }
        let number = words.next().and_then(|number| number.parse::<u64>().ok());
        let number = number.ok_or_else(|| format!("{word} needs a whole number after it"))?;
        match word.as_str() {
            "--seed" => seed = Some(number),
            "--seeds" => count = Some(number),
            "--first" => first = number,
            "--jobs" => jobs = usize::try_from(number).map_err(|error| error.to_string())?,
            other => return Err(format!("there is no {other}")),
        }
    }
    match (seed, count) {
        (Some(seed), None) => Ok(Asked::One { seed, trace }),
        (None, Some(count)) => Ok(Asked::Many { first, count, jobs }),
        _ => Err("give either --seed or --seeds".into()),
    }
}

fn many(first: u64, count: u64, jobs: usize) -> ExitCode {
    let summary = play_many(first, count, jobs, &|done, failed| {
        eprint!("\r{done} of {count} schedules, {failed} broke an invariant ");
        let _unimportant = std::io::stderr().flush();
    });
    eprintln!();
    for report in summary.failed.iter().take(SHOWN) {
        tell(report, LAST_EVENTS);
    }
    let seeds: Vec<String> = summary
        .failed
        .iter()
        .map(|report| {
            let broken: Vec<String> = report.violations.iter().map(|v| format!("{}", v.invariant)).collect();
            format!("{} ({})", report.seed, broken.join(", "))
        })
        .collect();
    print!("{}", summary.told());
    if !seeds.is_empty() {
        println!("seeds (invariants): {}", seeds.join("; "));
    }
    if summary.is_clean() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn one(seed: u64, trace: bool) -> ExitCode {
    match play(seed) {
        Ok(report) => {
            tell(&report, if trace { usize::MAX } else { 0 });
            println!("{:.3} s of bench time, {} changes of turn", report.length_s, report.switches);
            println!("hash of all events: {}", report.hash);
            if report.violations.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
        }
        Err(error) => {
            eprintln!("seed {seed} could not be played: {error}");
            ExitCode::from(2)
        }
    }
}

fn tell(report: &Report, last_events: usize) {
    println!("seed {}, script {}: {}", report.seed, report.script, report.ended);
    for fault in &report.faults {
        println!("  {fault}");
    }
    for event in report.events.iter().skip(report.events.len().saturating_sub(last_events)) {
        println!("{event}");
    }
    for violation in &report.violations {
        println!("  {violation}");
    }
    println!("  replay: wattproof-faults --seed {} --trace", report.seed);
}
