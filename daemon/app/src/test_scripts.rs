//! `wattproof test-scripts`: tests that stand beside scripts, performed on invented amplifiers in virtual time.

use std::path::PathBuf;

use clap::Args;
use serde_json::{Value, json};
use wattproof_rehearsal::{TestedScript, test_files, test_scripts_in};

use crate::failure::Failure;
use crate::say::{say, say_json};

/// `test-scripts`.
#[derive(Args)]
pub struct TestScriptsOrder {
    /// Test files (`NAME_test.rhai`), or folders of them
    #[arg(value_name = "PATH", default_value = "scripts")]
    pub paths: Vec<PathBuf>,
    /// Only tests whose names have this in them
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub only: String,
    /// Print the tests as JSON
    #[arg(long)]
    pub json: bool,
}

/// Performs every test, says each, fails if there was none or one failed.
pub fn test_scripts(order: &TestScriptsOrder) -> Result<(), Failure> {
    let (mut passed, mut failed, mut rows) = (0, 0, Vec::<Value>::new());
    let mut unsaid = Ok(());
    for path in &order.paths {
        let files = test_files(path).map_err(|error| {
            Failure::Said(format!(
                "{}: {error}; `wattproof new-script` writes a script with its test",
                path.display()
            ))
        })?;
        for file in files {
            test_scripts_in(&file, &order.only, &mut |test: &TestedScript| {
                *(if test.failure.is_none() { &mut passed } else { &mut failed }) += 1;
                if order.json {
                    rows.push(row(test));
                } else if unsaid.is_ok() {
                    unsaid = tell(test);
                }
            })?;
        }
    }
    unsaid?;
    if order.json {
        say_json(&rows)?;
    } else {
        say(&format!("{passed} passed, {failed} failed"))?;
    }
    match (passed, failed) {
        (0, 0) => {
            Err(Failure::Said("there was no test: name files or folders with NAME_test.rhai in them, and with --only what their names have".into()))
        }
        (_, 0) => Ok(()),
        _ => Err(Failure::Said(format!("{failed} tests of scripts failed"))),
    }
}

fn row(test: &TestedScript) -> Value {
    let failure = test.failure.as_ref();
    json!({
        "file": test.file, "test": test.name, "passed": failure.is_none(), "failure": failure.map(ToString::to_string),
        "line": failure.map(|fault| fault.line), "column": failure.map(|fault| fault.column),
    })
}

fn tell(test: &TestedScript) -> Result<(), Failure> {
    match &test.failure {
        None => say(&format!("passed  {} {}", test.file.display(), test.name)),
        Some(fault) => say(&format!("FAILED  {} {}\n{fault}", test.file.display(), test.name)),
    }
}
