//! Wrong scripts, each with the diagnosis that a person gets: `tests/tests/slips/NAME.rhai` and `NAME.told` beside it. Written
//! anew with WATTPROOF_WRITE_TOLD=1, and then read by eye. What a person needs: what happened, where, and what to do next.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::process::Command;

use bench::{Served, root, said, wattproof};

#[test]
fn every_slip_is_told_as_it_was_looked_at() {
    let served = Served::start("honest");
    let folder = root().join("tests/tests/slips");
    let mut names: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    names.retain(|path| path.extension().is_some_and(|end| end == "rhai"));
    names.sort();
    assert!(names.len() >= 10, "{names:?}");
    let mut wrong = Vec::new();
    for script in &names {
        let name = script.file_name().unwrap();
        let mut command = Command::new(wattproof());
        command.current_dir(&folder).arg("check").arg(name).arg("--without-selfcheck");
        command.arg("--bench").arg(served.bench()).arg("--nameplate").arg(served.nameplate());
        let output = command.output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{name:?} passes for good");
        let told = said(&output);
        assert!(
            told.contains(&format!("script {}:", name.to_string_lossy())),
            "{name:?} has no place: {told}"
        );
        let kept = script.with_extension("told");
        if std::env::var_os("WATTPROOF_WRITE_TOLD").is_some() {
            std::fs::write(&kept, &told).unwrap();
        } else if std::fs::read_to_string(&kept).unwrap_or_default() != told {
            wrong.push(format!("{}:\n{told}", kept.display()));
        }
    }
    assert!(wrong.is_empty(), "told otherwise than was looked at:\n{}", wrong.join("\n"));
}
