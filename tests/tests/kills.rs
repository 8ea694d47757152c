//! The real daemon killed at random moments of the main job, over and over: safe at once, nothing lost, resumed to the
//! same ratings. `KILLS=500 AT_ONCE=12 SEED=1 cargo test -p wattproof-tests --test kills -- --nocapture` does as many as
//! asked, so many at a time; without them a few are done.
//!
//! Project's own promise; 1 s is that of the design.

#![allow(clippy::unwrap_used, clippy::panic, reason = "test helpers fail by panicking")]

mod bench;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use bench::{Served, number, root, rows, said};
use wattproof_runs::{MachineDisk, read_journal};
use wattproof_tests::figure::keeps;

/// The main job takes about this long on the virtual bench, s.
const JOB_S: f64 = 19.0;

fn setting(name: &str, usual: usize) -> usize {
    std::env::var(name).ok().map_or(usual, |text| text.parse().unwrap())
}

/// A number from 0 to 1 that depends on the trial alone (SplitMix64; Steele, Lea and Flood, 2014).
fn draw(seed: u64, trial: u64, which: u64) -> f64 {
    let mut z = seed.wrapping_mul(31).wrapping_add(trial).wrapping_mul(31).wrapping_add(which);
    z = z.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

/// What one trial came to.
#[derive(Default, Clone, Copy)]
struct Trial {
    /// From the kill until both outputs were off, s.
    off_s: f64,
    /// Kills that met a run.
    kills: usize,
    /// Steps recorded before the kills.
    steps: usize,
}

/// Kills the daemon once or twice, resumes, and compares with what an undisturbed run came to.
fn trial(seed: u64, index: u64, undisturbed: &Path) -> Trial {
    let served = Served::start("honest");
    let script = root().join("scripts/rated_power.rhai");
    let mut told = Trial::default();
    let mut before: Vec<u8> = Vec::new();
    let mut daemon = served.run(&script).spawn().unwrap();
    for which in 0..1 + u64::from(draw(seed, index, 9) < 0.3) {
        std::thread::sleep(Duration::from_secs_f64(draw(seed, index, which) * JOB_S));
        daemon.kill().unwrap();
        let killed = Instant::now();
        daemon.wait().unwrap();
        while served.ask("source", "OUTP1?") != "0" || served.ask("supply", "OUTP?") != "0" {
            let late = !keeps(killed.elapsed(), Duration::from_secs(1));
            assert!(!late, "trial {index}: live {:?} after the kill", killed.elapsed());
        }
        told.off_s = told.off_s.max(killed.elapsed().as_secs_f64());
        told.kills += 1;
        let Some(folder) = folder(&served) else {
            daemon = served.run(&script).spawn().unwrap();
            continue;
        };
        let now = std::fs::read(folder.join("journal.jsonl")).unwrap();
        let whole = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
        assert_eq!(now[..whole], before[..whole], "trial {index}: what was recorded has changed");
        before = now;
        daemon = served.again("resume", &folder).spawn().unwrap();
    }
    let ended = daemon.wait_with_output().unwrap();
    let folder = folder(&served).unwrap();
    if !ended.status.success() {
        // A kill between two lines may have come after the last one: then there is nothing to resume.
        assert!(said(&ended).contains("came to its end"), "trial {index}: {}", said(&ended));
    }
    let now = std::fs::read(folder.join("journal.jsonl")).unwrap();
    let whole = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    assert_eq!(now[..whole], before[..whole], "trial {index}: what was recorded has changed");
    let read = read_journal(&MachineDisk, &folder.join("journal.jsonl")).unwrap();
    told.steps = read.lines.iter().filter(|line| line.kind == "step").count();
    let (mine, theirs) = (rows(&folder.join("ratings.csv")), rows(&undisturbed.join("ratings.csv")));
    assert_eq!((mine.len(), theirs.len()), (3, 3), "trial {index}");
    for (a, b) in mine.iter().zip(&theirs) {
        let off_w = (number(a, "measured_w") - number(b, "measured_w")).abs();
        assert!(off_w <= number(a, "expanded_u_w"), "trial {index}: {off_w} W apart: {a:?}");
    }
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(computed.status.success(), "trial {index}: {}", said(&computed));
    told
}

/// The run's folder, if it got that far.
fn folder(served: &Served) -> Option<PathBuf> {
    let folders = std::fs::read_dir(served.folder.path().join("results")).ok()?;
    let mut with_journal = folders.map(|folder| folder.unwrap().path()).filter(|folder| {
        read_journal(&MachineDisk, &folder.join("journal.jsonl")).is_ok_and(|read| !read.lines.is_empty())
    });
    with_journal.next()
}

#[test]
fn fault_38_kills_at_random_moments_lose_nothing_and_leave_nothing_live() {
    let (count, at_once, seed) = (setting("KILLS", 4), setting("AT_ONCE", 4), setting("SEED", 1) as u64);
    let other = Served::start("honest");
    assert!(other.run(&root().join("scripts/rated_power.rhai")).status().unwrap().success());
    let undisturbed = other.run_folder();
    let next = AtomicUsize::new(0);
    let trials: Vec<Trial> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..at_once)
            .map(|_| {
                scope.spawn(|| {
                    let mut done = Vec::new();
                    loop {
                        let index = next.fetch_add(1, Ordering::Relaxed);
                        if index >= count {
                            return done;
                        }
                        let told = trial(seed, index as u64, &undisturbed);
                        println!("run {index}: {} kills, off within {:.0} ms", told.kills, 1e3 * told.off_s);
                        done.push(told);
                    }
                })
            })
            .collect();
        workers.into_iter().flat_map(|worker| worker.join().unwrap()).collect()
    });
    let mut off_s: Vec<f64> = trials.iter().map(|trial| trial.off_s).collect();
    off_s.sort_by(f64::total_cmp);
    let kills: usize = trials.iter().map(|trial| trial.kills).sum();
    let steps: usize = trials.iter().map(|trial| trial.steps).sum();
    println!(
        "{kills} kills of {count} runs, {steps} steps; from kill to both outputs asked and off: median {:.0} ms, most {:.0} ms",
        1000.0 * off_s[off_s.len() / 2],
        1000.0 * off_s[off_s.len() - 1]
    );
}
