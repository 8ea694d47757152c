//! `wattproof-fuzz TARGET`: tries inputs for as long as it is told, and keeps those that something did not survive.

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use clap::Parser;
use wattproof_fuzz::{Budget, Campaign, TARGETS, Target, crashes_folder, named, seeds};

/// Tries hostile bytes on one reader of bytes, or on all.
#[derive(Parser)]
#[command(name = "wattproof-fuzz")]
struct Arguments {
    /// Which target; `all` for all, one after the other; `list` prints their names.
    target: String,
    /// Time for each target, s.
    #[arg(long, default_value_t = 60.0)]
    seconds: f64,
    /// Seed of all chance: the same inputs in the same order.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// A folder with further inputs to begin with.
    #[arg(long, value_name = "DIR")]
    corpus: Vec<PathBuf>,
    /// Try these inputs alone, unchanged, and let a panic through with its trace.
    #[arg(long, value_name = "FILE")]
    input: Vec<PathBuf>,
}

fn main() -> ExitCode {
    match run(&Arguments::parse()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("wattproof-fuzz: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run(arguments: &Arguments) -> std::io::Result<bool> {
    wattproof_fuzz::bound_memory()?;
    let chosen: Vec<Target> = match arguments.target.as_str() {
        "list" => {
            TARGETS.iter().for_each(|target| println!("{}", target.name));
            return Ok(true);
        }
        "all" => TARGETS.to_vec(),
        name => {
            let unknown =
                || std::io::Error::other(format!("there is no target {name}; `list` prints their names"));
            vec![named(name).ok_or_else(unknown)?]
        }
    };
    let mut survived = true;
    for target in chosen {
        survived &=
            if arguments.input.is_empty() { fuzz(&target, arguments)? } else { replay(&target, arguments)? };
    }
    Ok(survived)
}

fn replay(target: &Target, arguments: &Arguments) -> std::io::Result<bool> {
    for path in &arguments.input {
        (target.check)(&std::fs::read(path)?);
        println!("{}: {} is survived", target.name, path.display());
    }
    Ok(true)
}

fn fuzz(target: &Target, arguments: &Arguments) -> std::io::Result<bool> {
    let corpus = seeds(target, &arguments.corpus)?.into_iter().map(|seed| seed.bytes).collect();
    let crashes = crashes_folder();
    let campaign = Campaign {
        target,
        seed: arguments.seed,
        corpus,
        crashes: &crashes,
        longest: Duration::from_secs(60),
    };
    let seconds = Duration::try_from_secs_f64(arguments.seconds);
    let seconds = seconds.map_err(|error| std::io::Error::other(format!("--seconds: {error}")))?;
    let tally = campaign.run(Budget::Time(seconds))?;
    println!(
        "{}: {} inputs, slowest {:.0} ms, {} crashes",
        target.name,
        tally.executions,
        tally.slowest.as_secs_f64() * 1e3,
        tally.crashes.len()
    );
    for crash in &tally.crashes {
        println!("  {}: {}", crash.place, crash.message.lines().next().unwrap_or_default());
        println!("    again: wattproof-fuzz {} --input {}", target.name, crash.path.display());
    }
    Ok(tally.crashes.is_empty())
}
