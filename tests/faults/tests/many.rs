//! Many schedules, every fault of the simulator among them: no invariant breaks but those of the known gaps.
//! WATTPROOF_FAULT_SEEDS says how many; a few here, unoptimised: `tests/all.sh` plays 10,000 by `wattproof-faults`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use wattproof_faults::many::{ALL_STRIKE, play_many};

const USUAL: u64 = 300;

#[test]
fn no_invariant_breaks_whatever_goes_wrong() {
    let named = std::env::var("WATTPROOF_FAULT_SEEDS").ok();
    let count = named.map_or(USUAL, |named| named.parse().expect("WATTPROOF_FAULT_SEEDS is a whole number"));
    let summary = play_many(1, count, 2, &|_, _| {});
    let told = summary.told();
    println!("{told}");
    let failed: Vec<String> = summary
        .failed
        .iter()
        .map(|report| format!("seed {}: {:?}", report.seed, report.violations))
        .collect();
    assert!(summary.is_clean(), "{told}\n{}", failed.join("\n"));
    assert!(count < ALL_STRIKE || summary.never_struck().is_empty(), "{:?}", summary.never_struck());
}
