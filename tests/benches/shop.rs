//! Sixteen virtual benches at one daemon, each running the same script of steps at the same time, against one of them
//! alone in the same session: how much later each step is, and which processes take the processor time. Prints; judges
//! nothing. `BENCHES=4` takes fewer, `PACE=12000000` gives every instrument a line of that rate (baud) in place of one that
//! takes no time, `NICE=10` lets the simulated instruments stand back, `SAMPLES=4800` shortens captures, `ROUNDS=3` runs
//! all of it so often.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a benchmark that can't run fails by panicking")]

#[path = "../tests/bench/mod.rs"]
mod bench;

use std::process::Command;
use std::time::{Duration, Instant};

use bench::shop::Shop;
use bench::{Served, number, root, rows};

/// Length of a tick of `/proc/PID/stat` on Linux, s.
const TICK_S: f64 = 0.01;
/// Later than this is late.
const LATE: f64 = 1.05;
/// Some 40 steps.
const SET: [&str; 4] = ["--set", "from_db=-70", "--set", "step_db=2"];

/// Processor time by who took it, s.
#[derive(Clone, Copy)]
struct Took {
    instruments_s: f64,
    runs_s: f64,
    daemon_s: f64,
    /// Every program of the machine.
    machine_s: f64,
}

fn main() {
    let benches = setting("BENCHES", 16);
    let all: Vec<Served> = (0..benches).map(|_| served()).collect();
    let shop = Shop::open(all);
    let script = std::fs::read_to_string(root().join("scripts/level_sweep.rhai")).unwrap();
    for round in 0..setting("ROUNDS", 1) {
        // Before and after: a machine that does other work is not the same for long.
        let (before, one) = measure(&shop, &script, 1);
        let (crowd, many) = measure(&shop, &script, benches);
        let (after, _) = measure(&shop, &script, 1);
        println!("\nround {}", round + 1);
        compare(&[before, after].concat(), &crowd);
        tell("one alone", &one, 1, crowd[0].len());
        tell("all at once", &many, benches, crowd[0].len());
    }
}

fn setting(name: &str, default: usize) -> usize {
    std::env::var(name).ok().map_or(default, |value| value.parse().expect("a number"))
}

/// A bench as the benchmark wants it.
fn served() -> Served {
    let pace = std::env::var("PACE").map(|baud| ["--pace".into(), baud]);
    let further: Vec<&str> = pace.iter().flatten().map(String::as_str).collect();
    let served = Served::start_with("honest", &further);
    if let Ok(samples) = std::env::var("SAMPLES") {
        let text = std::fs::read_to_string(served.bench()).unwrap();
        let shorter = text.replace("samples = 19200", &format!("samples = {samples}"));
        std::fs::write(served.bench(), shorter).unwrap();
    }
    if let Ok(nice) = std::env::var("NICE") {
        let done = Command::new("renice").args(["-n", &nice, "-p", &served.process().to_string()]).output();
        assert!(done.unwrap().status.success(), "renice");
        // Threads that are there already are not reached by the process's own number.
        for task in std::fs::read_dir(format!("/proc/{}/task", served.process())).unwrap() {
            let task = task.unwrap().file_name().into_string().unwrap();
            Command::new("renice").args(["-n", &nice, "-p", &task]).output().unwrap();
        }
    }
    served
}

/// Runs the script on the first so many benches at once: the time of every step of each, s, and the processor time.
fn measure(shop: &Shop, script: &str, benches: usize) -> (Vec<Vec<f64>>, (Took, f64)) {
    let held: Vec<&str> = SET.into_iter().chain(["--hold"]).collect();
    let jobs: Vec<u64> = (0..benches).map(|index| shop.leave_with(index, script, &held)).collect();
    let (before, began) = (took(shop, benches), Instant::now());
    for job in &jobs {
        assert!(shop.asks(&["queue", "release", &job.to_string()]).status.success());
    }
    while jobs.iter().any(|job| shop.job(*job)["state"] != "ended") {
        std::thread::sleep(Duration::from_secs(2));
    }
    let (after, lasted_s) = (took(shop, benches), began.elapsed().as_secs_f64());
    let took = Took {
        instruments_s: after.instruments_s - before.instruments_s,
        runs_s: after.runs_s - before.runs_s,
        daemon_s: after.daemon_s - before.daemon_s,
        machine_s: after.machine_s - before.machine_s,
    };
    (jobs.iter().map(|job| steps_s(shop, *job)).collect(), (took, lasted_s))
}

/// From one step's record to the next one's, s.
fn steps_s(shop: &Shop, job: u64) -> Vec<f64> {
    assert_eq!(shop.job(job)["outcome"], "no_rating", "{}", shop.job(job));
    let rows = rows(&shop.run_folder(job).join("steps.csv"));
    let ends_s: Vec<f64> =
        rows.iter().filter(|row| row["channel"] == "1").map(|row| number(row, "at_s")).collect();
    ends_s.windows(2).map(|pair| pair[1] - pair[0]).collect()
}

/// With the instruments of the first so many benches: those of the others idle.
fn took(shop: &Shop, benches: usize) -> Took {
    let instruments =
        shop.benches.iter().take(benches).map(|served| own_and_childrens_s(served.process())[0]);
    let [daemon_s, runs_s] = own_and_childrens_s(shop.daemon.process());
    Took { instruments_s: instruments.sum(), runs_s, daemon_s, machine_s: machine_s() }
}

/// Processor time of a process, and of its children that it has waited for with theirs, s: user and kernel together.
fn own_and_childrens_s(process: u32) -> [f64; 2] {
    let text = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
    // Behind the name, which may hold anything: proc(5) counts utime as field 14, stime 15, cutime 16, cstime 17.
    let fields: Vec<&str> = text.rsplit(')').next().unwrap().split_whitespace().collect();
    let ticks = |at: usize| fields[at].parse::<f64>().unwrap();
    [ticks(11) + ticks(12), ticks(13) + ticks(14)].map(|ticks| TICK_S * ticks)
}

/// Processor time that the machine was not idle, s.
fn machine_s() -> f64 {
    let text = std::fs::read_to_string("/proc/stat").unwrap();
    // proc(5): user, nice, system, idle, iowait, irq, softirq, steal.
    let fields: Vec<f64> =
        text.lines().next().unwrap().split_whitespace().skip(1).map(|field| field.parse().unwrap()).collect();
    TICK_S * [0, 1, 2, 5, 6, 7].into_iter().map(|at| fields[at]).sum::<f64>()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn compare(alone: &[Vec<f64>], crowd: &[Vec<f64>]) {
    let steps = alone.iter().chain(crowd).map(Vec::len).min().unwrap();
    let at = |runs: &[Vec<f64>], step: usize| runs.iter().map(|run| run[step]).collect::<Vec<_>>();
    println!("{:>5} {:>10} {:>10} {:>10} {:>8} {:>8}", "step", "alone", "median", "worst", "ratio", "worst");
    let mut ratios = Vec::new();
    let (mut medians, mut worsts) = (Vec::new(), Vec::new());
    for step in 0..steps {
        let (alone_s, all) = (median(at(alone, step)), at(crowd, step));
        let (median_s, worst_s) = (median(all.clone()), all.iter().copied().fold(0.0, f64::max));
        println!(
            "{:>5} {:>7.1} ms {:>7.1} ms {:>7.1} ms {:>8.3} {:>8.3}",
            step + 2,
            1000.0 * alone_s,
            1000.0 * median_s,
            1000.0 * worst_s,
            median_s / alone_s,
            worst_s / alone_s
        );
        ratios.extend(all.iter().map(|took_s| took_s / alone_s));
        medians.push(median_s / alone_s);
        worsts.push(worst_s / alone_s);
    }
    let late = ratios.iter().filter(|ratio| **ratio > LATE).count();
    println!(
        "{} steps of {} runs: ratio {:.3} in the median, {:.3} for the worst position's median, {:.3} at most; {late} of {} late by more than 5 %",
        steps,
        crowd.len(),
        median(medians.clone()),
        medians.iter().copied().fold(0.0, f64::max),
        worsts.iter().copied().fold(0.0, f64::max),
        ratios.len()
    );
}

fn tell(what: &str, (took, lasted_s): &(Took, f64), benches: usize, steps: usize) {
    let each_ms = |s: f64| 1000.0 * s / (benches * (steps + 1)) as f64;
    let ours_s = took.instruments_s + took.runs_s + took.daemon_s;
    println!(
        "{what}: {lasted_s:.1} s; processor time a step: instruments {:.1} ms, runs with guardian and script {:.1} ms, daemon {:.1} ms; {:.2} processors for us, {:.2} for others",
        each_ms(took.instruments_s),
        each_ms(took.runs_s),
        each_ms(took.daemon_s),
        ours_s / lasted_s,
        (took.machine_s - ours_s) / lasted_s
    );
}
