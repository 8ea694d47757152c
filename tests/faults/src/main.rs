//! `wattproof-faults`: plays schedules of faults and tells what broke.

use std::io::Write;
use std::process::ExitCode;

use wattproof_faults::hours::live_through;
use wattproof_faults::many::{ALL_STRIKE, play_many};
use wattproof_faults::schedule::{Report, play};

const USAGE: &str = "\
wattproof-faults --seeds N [--first S] [--jobs J]   plays N schedules from seed S (1) on J threads (2)
wattproof-faults --seed S [--trace]                 plays one schedule; --trace shows every event
wattproof-faults --hours H                          lives through H hours of one healthy run; shows what it holds";

/// Events shown of a schedule that failed.
const LAST_EVENTS: usize = 40;
/// Failed schedules shown in full.
const SHOWN: usize = 5;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match asked(&words) {
        Ok(Asked::Many { first, count, jobs }) => many(first, count, jobs),
        Ok(Asked::One { seed, trace }) => one(seed, trace),
        Ok(Asked::Hours { hours }) => long(hours),
        Err(what) => {
            eprintln!("{what}\n{USAGE}");
            ExitCode::from(2)
        }
    }
}

enum Asked {
    Many { first: u64, count: u64, jobs: usize },
    One { seed: u64, trace: bool },
    Hours { hours: u64 },
}

fn asked(words: &[String]) -> Result<Asked, String> {
    let (mut seed, mut count, mut hours) = (None, None, None);
    let (mut first, mut jobs, mut trace) = (1, 2, false);
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
            "--hours" => hours = Some(number),
            "--first" => first = number,
            "--jobs" => jobs = usize::try_from(number).map_err(|error| error.to_string())?,
            other => return Err(format!("there is no {other}")),
        }
    }
    match (seed, count, hours) {
        (Some(seed), None, None) => Ok(Asked::One { seed, trace }),
        (None, Some(count), None) => Ok(Asked::Many { first, count, jobs }),
        (None, None, Some(hours)) => Ok(Asked::Hours { hours }),
        _ => Err("give one of --seeds, --seed and --hours".into()),
    }
}

fn long(hours: u64) -> ExitCode {
    let folder = std::env::temp_dir().join(format!("wattproof-hours-{}", std::process::id()));
    let lived = live_through(hours as f64, 1.0, folder.clone());
    if let Err(error) = std::fs::remove_dir_all(&folder) {
        eprintln!("{}: can't be removed: {error}; remove it by hand", folder.display());
    }
    let lived = match lived {
        Ok(lived) => lived,
        Err(error) => {
            eprintln!("{error}");
            return ExitCode::FAILURE;
        }
    };
    say("bench time, h   steps   resident, KiB   descriptors");
    for held in &lived.held {
        let hours = held.at_s / 3600.0;
        say(&format!("{hours:13.2} {:7} {:15} {:13}", held.steps, held.resident_kib, held.descriptors));
    }
    say(&lived.ended.to_string());
    lived.violations.iter().for_each(|violation| say(&format!("  {violation}")));
    if lived.finished && lived.violations.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
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
    say(summary.told().trim_end());
    if !seeds.is_empty() {
        say(&format!("seeds (invariants): {}", seeds.join("; ")));
    }
    let missing = if count >= ALL_STRIKE { summary.never_struck() } else { Vec::new() };
    if !missing.is_empty() {
        say(&format!("never struck, so that nothing was shown of it: {}", missing.join(", ")));
    }
    if summary.is_clean() && missing.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn one(seed: u64, trace: bool) -> ExitCode {
    match play(seed) {
        Ok(report) => {
            tell(&report, if trace { usize::MAX } else { 0 });
            say(&format!("{:.3} s of bench time, {} changes of turn", report.length_s, report.switches));
            say(&format!("hash of all events: {}", report.hash));
            if report.violations.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
        }
        Err(error) => {
            eprintln!("seed {seed} could not be played: {error}");
            ExitCode::from(2)
        }
    }
}

fn tell(report: &Report, last_events: usize) {
    say(&format!("seed {}, script {}: {}", report.seed, report.script, report.ended));
    report.faults.iter().for_each(|fault| say(&format!("  {fault}")));
    let shown = report.events.iter().skip(report.events.len().saturating_sub(last_events));
    shown.for_each(|event| say(&event.to_string()));
    report.violations.iter().for_each(|violation| say(&format!("  {violation}")));
    say(&format!("  replay: wattproof-faults --seed {} --trace", report.seed));
}

/// A line for whoever reads. Nobody may read any more, as behind `head`: the exit code still tells what came of it.
fn say(line: &str) {
    if let Err(error) = writeln!(std::io::stdout(), "{line}")
        && error.kind() != std::io::ErrorKind::BrokenPipe
    {
        eprintln!("standard output: {error}");
    }
}
