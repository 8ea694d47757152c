//! Every example of the script reference, performed as it stands: it comes to its end with everything off. The project's
//! own promise.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use wattproof_faults::healthy::perform;
use wattproof_runs::script_examples;

#[test]
fn every_example_comes_to_its_end() {
    let examples = script_examples();
    assert!(examples.len() > 25, "only {} examples were found", examples.len());
    let mut failed = Vec::new();
    for (usage, script) in examples {
        let results = tempfile::tempdir().unwrap();
        let performed = perform("example", script, results.path().into()).unwrap();
        if !performed.finished {
            failed.push(format!("{usage}: {}", performed.ended));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n\n"));
}
