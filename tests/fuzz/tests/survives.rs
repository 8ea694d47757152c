//! Every target on every kept input, and on a fixed number of new ones, the same each time.
//!
//! That a reader of bytes from outside must neither panic, hang nor take unbounded memory is common practice, no source;
//! the properties each target checks are told in its file.

#![allow(clippy::unwrap_used, reason = "a helper that fails must stop its test")]

use std::time::Duration;

use wattproof_fuzz::{Budget, Campaign, TARGETS, bound_memory, crashes_folder, named, seeds};

/// Seed of all inputs here; `wattproof-fuzz --seed 20` makes the same ones.
const SEED: u64 = 20;

/// Tries a target on its corpus and on `count` new inputs.
fn survives(name: &str, count: u64) {
    bound_memory().unwrap();
    let target = named(name).unwrap();
    let corpus: Vec<_> = seeds(&target, &[]).unwrap().into_iter().map(|seed| seed.bytes).collect();
    assert!(!corpus.is_empty(), "{name} has no corpus");
    let crashes = crashes_folder();
    // Far longer than any input takes, for machines that are busy.
    let longest = Duration::from_secs(120);
    let campaign = Campaign { target: &target, seed: SEED, corpus, crashes: &crashes, longest };
    let tally = campaign.run(Budget::Count(count)).unwrap();
    assert!(tally.crashes.is_empty(), "{:#?}", tally.crashes);
    assert!(tally.executions > count);
}

/// All in one test, since a panic anywhere in the process would be taken for that of the target at hand.
#[test]
fn every_target_survives_its_corpus_and_a_fixed_number_of_new_inputs() {
    for (name, count) in COUNTS {
        survives(name, count);
    }
}

/// New inputs for each target: about two seconds each in a debug build on a machine of one's own.
const COUNTS: [(&str, u64); 14] = [
    ("scpi_instrument", 2000),
    ("scpi_controller", 2000),
    ("blocks", 4000),
    ("journal", 1500),
    ("captures", 1000),
    ("bench_file", 2000),
    ("nameplate", 4000),
    ("dialect", 3000),
    ("amplifier", 1500),
    ("wav", 6000),
    ("csv", 1000),
    ("script", 1500),
    ("ratings", 4000),
    ("run_folder", 150),
];

#[test]
fn every_target_has_a_count_and_a_small_corpus() {
    assert_eq!(TARGETS.map(|target| target.name), COUNTS.map(|(name, _)| name));
    let mut bytes = 0;
    for target in TARGETS {
        let kept = seeds(&wattproof_fuzz::Target { shipped: &[], ..target }, &[]).unwrap();
        assert!((1..=40).contains(&kept.len()), "{} keeps {} inputs", target.name, kept.len());
        bytes += kept.iter().map(|seed| seed.bytes.len()).sum::<usize>();
    }
    assert!(bytes < 300_000, "{bytes} bytes are kept: drop what another input shows as well");
}
