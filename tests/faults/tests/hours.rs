//! One healthy run that goes on for hours: memory and descriptors stay level. The project's own promise; `wattproof-faults
//! --hours 24` looks longer.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use wattproof_faults::hours::live_through;

/// Allocators keep a little more now and then, KiB.
const SLACK_KIB: u64 = 256;

#[test]
fn an_hour_of_one_run_holds_no_more_at_its_end_than_at_its_beginning() {
    let folder = tempfile::tempdir().unwrap();
    let lived = live_through(1.0, 0.2, folder.path().join("results")).unwrap();
    assert!(lived.finished && lived.violations.is_empty(), "{lived:?}");
    // The first look comes before every buffer has been used once.
    let [_, second, .., last] = lived.held.as_slice() else { unreachable!("too few looks: {lived:?}") };
    assert!(last.at_s - second.at_s > 1800.0, "{lived:?}");
    assert_eq!(second.descriptors, last.descriptors, "{lived:?}");
    assert!(last.resident_kib <= second.resident_kib + SLACK_KIB, "{lived:?}");
}
