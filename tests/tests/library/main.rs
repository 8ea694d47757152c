//! Every shipped script on virtual amplifiers over serial ports: it comes to its end, leaves everything off, and finds what
//! the amplifier's own description says, within the uncertainty it states.
//!
//! The truth comes from `drivers/virtual-bench/amplifiers/*.toml` and from the model's own answer, which shares no code with
//! the measurement; what is computed from that stands beside each check with its source.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

#[path = "../bench/mod.rs"]
mod bench;

mod chain;
mod heat;
mod power;
mod refusals;
mod response;
mod rest;
mod sound;

use std::collections::HashMap;
use std::path::PathBuf;

use bench::{Served, number, root, rows, said};

/// A finding's row.
pub type Row = HashMap<String, String>;

/// What a script found on an amplifier.
pub struct Found {
    /// Exit code of the run.
    pub code: Option<i32>,
    /// Every finding, in order.
    pub rows: Vec<Row>,
    /// The run's folder.
    pub folder: PathBuf,
    /// What was said on standard error.
    pub said: String,
    /// Keeps the run's folder.
    _served: Served,
}

impl Found {
    /// The findings of a name, in order.
    pub fn all(&self, name: &str) -> Vec<&Row> {
        self.rows.iter().filter(|row| row["name"] == name).collect()
    }

    /// The first finding of a name that is said to be at something.
    pub fn at(&self, name: &str, at: &str) -> &Row {
        let found = self.rows.iter().find(|row| row["name"] == name && row["at"].contains(at));
        found.unwrap_or_else(|| panic!("no {name} at {at}: {:?}", self.rows))
    }
}

/// Runs a shipped script on an amplifier: it must finish, with everything off.
pub fn found(amplifier: &str, bench: &[&str], script: &str, sets: &[&str]) -> Found {
    let ran = ran(amplifier, bench, script, sets);
    assert!(matches!(ran.code, Some(0 | 10 | 11)), "{script} on {amplifier}: {:?}\n{}", ran.code, ran.said);
    for row in &ran.rows {
        println!("{script} on {amplifier}: {row:?}");
    }
    ran
}

/// Runs a shipped script on an amplifier, whatever comes of it; everything must be off afterwards.
pub fn ran(amplifier: &str, bench: &[&str], script: &str, sets: &[&str]) -> Found {
    let served = Served::start_with(amplifier, bench);
    let mut command = served.run(&root().join(format!("scripts/{script}.rhai")));
    command.arg("--without-selfcheck");
    for set in sets {
        command.args(["--set", set]);
    }
    let output = command.output().unwrap();
    for question in ["OUTP1?", "OUTP2?"] {
        assert_eq!(served.ask("source", question), "0", "{script} on {amplifier} left the source on");
    }
    assert_eq!(served.ask("supply", "OUTP?"), "0", "{script} on {amplifier} left the supply on");
    let folder = served.run_folder();
    let rows = rows(&folder.join("findings.csv"));
    Found { code: output.status.code(), rows, folder, said: said(&output), _served: served }
}

/// A number's distance from the truth in its stated uncertainty.
pub fn off(row: &Row, truth: f64) -> f64 {
    (number(row, "value") - truth) / number(row, "expanded_u")
}

/// The truth lies within U.
pub fn within(row: &Row, truth: f64) {
    assert!(off(row, truth).abs() <= 1.0, "{truth} is not within U: {row:?}");
}

/// The truth lies within 2 U, four standard uncertainties: for numbers whose noise is another in every run, of which one in
/// twenty lies beyond U by rights (normal distribution), and one in 16,000 beyond this.
pub fn nearly(row: &Row, truth: f64) {
    assert!(off(row, truth).abs() <= 2.0, "{truth} is far from it: {row:?}");
}

/// Every shipped script is run by a test in this folder or in another one.
#[test]
fn no_script_is_left_out() {
    let mut tests = String::new();
    for folder in ["tests/tests", "tests/tests/library"] {
        for entry in std::fs::read_dir(root().join(folder)).unwrap() {
            let path = entry.unwrap().path();
            if path.is_file() {
                tests += &std::fs::read_to_string(path).unwrap();
            }
        }
    }
    for entry in std::fs::read_dir(root().join("scripts")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        if path.extension().is_some_and(|end| end == "rhai")
            && !name.ends_with("_test")
            && !name.ends_with(".d")
        {
            let run = [format!("\"{name}\""), format!("scripts/{name}.rhai")];
            assert!(run.iter().any(|word| tests.contains(word)), "no test runs scripts/{name}.rhai");
        }
    }
}
