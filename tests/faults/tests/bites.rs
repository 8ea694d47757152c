//! The checker finds daemons that are broken on purpose, each by the invariant it breaks, and finds nothing in the same
//! schedules when the daemon is whole. The invariants are those of the project's safety design.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use wattproof_faults::sabotage::{ALL, Sabotage};
use wattproof_faults::schedule::play_with;
use wattproof_faults::setup;

/// Seeds whose scripts differ; no faults but the sabotage.
const SEEDS: std::ops::Range<u64> = 1..25;

#[test]
fn a_whole_daemon_breaks_nothing_where_nothing_is_wrong() {
    for seed in SEEDS {
        let report = play_with(seed, setup::script(seed), Vec::new(), None).unwrap();
        assert!(report.violations.is_empty(), "seed {seed}, {}: {:?}", report.script, report.violations);
    }
}

#[test]
fn every_sabotage_is_caught_by_the_invariant_it_breaks() {
    for (sabotage, invariants) in ALL {
        let caught = SEEDS.filter(|seed| {
            let report = play_with(*seed, setup::script(*seed), Vec::new(), Some(sabotage)).unwrap();
            report.violations.iter().any(|violation| invariants.contains(&violation.invariant))
        });
        // Not every script comes to what is broken: a limit is met by those that reach for it, a late OFF hurts those
        // that trip, made-up readings are found where the truth moves away from them.
        let least = match sabotage {
            Sabotage::LooseGuard => 2,
            Sabotage::DelaysOff | Sabotage::InventsReadings => 8,
            _ => 20,
        };
        let caught = caught.count();
        assert!(caught >= least, "{sabotage:?} was caught in {caught} of {} schedules", SEEDS.count());
    }
}
