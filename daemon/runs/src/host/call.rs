//! A host call and its answer, as data: they cross from the script's process to the daemon and into the journal.

use std::path::PathBuf;

use super::printing::Printed;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// A script.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Script {
    /// Its path, for messages and the record.
    pub path: PathBuf,
    /// Its text.
    pub source: String,
}

/// A call of a host function by a script.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Call {
    /// The function.
    pub name: String,
    /// What it was given.
    pub arguments: Vec<Value>,
    /// Line in the script, from 1; 0 when unknown.
    pub line: usize,
}

/// Why a call has no answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CallRefused {
    /// What happened and what to do.
    pub message: String,
    /// The run is over: the script can't catch it.
    pub over: bool,
}

/// Who answers a script's calls.
pub trait Caller: Send + Sync {
    /// Answers a call.
    ///
    /// # Errors
    /// [`CallRefused`].
    fn call(&self, call: &Call) -> Result<Value, CallRefused>;

    /// Shows what the script prints.
    ///
    /// # Errors
    /// [`CallRefused`] when it prints too much.
    fn print(&self, printed: &Printed) -> Result<(), CallRefused>;

    /// Whether the run is over, so that the script must end between any two operations.
    fn is_over(&self) -> bool;
}
