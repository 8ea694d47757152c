//! What a script asked of its host in a recorded run, call by call.

use std::path::Path;

use serde::Serialize;
use serde_json::Value;

use crate::disk::MachineDisk;
use crate::folder::{JOURNAL_FILE, RunFolder};
use crate::record::LINE;
use crate::{RunError, walk_journal};

/// One call of a host function.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TracedCall {
    /// When it was made, s on the bench's clock, as `at_s` of steps and findings has it.
    pub at_s: f64,
    /// How long its answer took, s; absent of one that was not answered.
    pub took_s: Option<f64>,
    /// Line in the script, from 1; absent where the journal does not say it.
    pub line: Option<u64>,
    /// The function.
    pub name: String,
    /// What it was given.
    pub arguments: Vec<Value>,
    /// What it gave; absent of one that failed or was not answered.
    pub gave: Option<Value>,
    /// Why it failed.
    pub error: Option<String>,
}

/// Every call of a run, in order. What a resumed run did again is there twice.
///
/// # Errors
/// [`RunError::NoRun`], [`RunError::Folder`], [`RunError::Journal`].
pub fn trace(folder: &Path) -> Result<Vec<TracedCall>, RunError> {
    let folder = RunFolder::open(folder)?;
    let mut calls: Vec<TracedCall> = Vec::new();
    walk_journal(&MachineDisk, &folder.file(JOURNAL_FILE), |line| match line.kind.as_str() {
        "call" => calls.push(TracedCall {
            at_s: line.at_s,
            took_s: None,
            line: line.data[LINE].as_u64().filter(|number| *number > 0),
            name: line.data["name"].as_str().unwrap_or_default().into(),
            arguments: line.data["arguments"].as_array().cloned().unwrap_or_default(),
            gave: None,
            error: None,
        }),
        "answer" => {
            if let Some(call) = calls.last_mut() {
                call.took_s = Some(line.at_s - call.at_s);
                call.gave = line.data.get("value").cloned();
                call.error = line.data["error"].as_str().map(str::to_string);
            }
        }
        _ => {}
    })?;
    Ok(calls)
}
