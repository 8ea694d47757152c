//! A schedule depends on its seed alone: the same events, to the nanosecond and the byte, each time and in each process.
//! The requirement is the project's own (replay of a failing seed), so it has no outside source.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeSet;
use std::process::Command;

use wattproof_faults::schedule::play;

const SEEDS: std::ops::Range<u64> = 1..13;

#[test]
fn the_same_seed_repeats_every_event() {
    for seed in SEEDS {
        let (one, two) = (play(seed).unwrap(), play(seed).unwrap());
        assert_eq!(one.events, two.events, "seed {seed}");
        assert_eq!(one.hash, two.hash, "seed {seed}");
        assert!(one.events.len() > 100, "seed {seed} did next to nothing");
    }
}

#[test]
fn the_same_seed_repeats_in_another_process_and_beside_others() {
    let here: Vec<String> = std::thread::scope(|scope| {
        let played: Vec<_> = SEEDS.map(|seed| scope.spawn(move || play(seed).unwrap().hash)).collect();
        played.into_iter().map(|thread| thread.join().unwrap()).collect()
    });
    for (seed, hash) in SEEDS.zip(&here) {
        let binary = env!("CARGO_BIN_EXE_wattproof-faults");
        let output = Command::new(binary).args(["--seed", &seed.to_string()]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(said.contains(&format!("hash of all events: {hash}")), "seed {seed}: {said}");
    }
    assert_eq!(
        here.iter().collect::<BTreeSet<_>>().len(),
        here.len(),
        "different seeds, different schedules"
    );
}
