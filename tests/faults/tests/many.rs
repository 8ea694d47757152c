//! Many schedules, every fault of the simulator among them: no invariant breaks but those of the known gaps.
//! WATTPROOF_FAULT_SEEDS says how many; the usual number fits a minute or two on two cores.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeSet;

use wattproof_faults::fault::CATALOGUE;
use wattproof_faults::many::play_many;

const USUAL: u64 = 3_000;

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
    if count >= USUAL {
        let fired: BTreeSet<_> = summary.fired.keys().map(|fired| fired.kind).collect();
        let missing: Vec<_> = CATALOGUE.iter().filter(|(kind, _)| !fired.contains(kind)).collect();
        assert!(missing.is_empty(), "never struck: {missing:?}");
    }
}
