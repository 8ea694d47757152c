//! What the daemon and the script's process tell each other: a line of JSON each.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::call::{Call, CallRefused};
use super::printing::Printed;
use crate::ScriptFault;

/// From the script's process.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FromScript {
    /// It has bounded itself and waits for a script.
    Ready,
    /// A call; an answer is awaited.
    Call(Call),
    /// Something printed.
    Print(Printed),
    /// The script has ended.
    Ended(Option<Box<ScriptFault>>),
}

/// To the script's process.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ToScript {
    /// The script to perform.
    Perform(super::Script),
    /// The answer of a call.
    Answer(Value),
    /// A call has none.
    Refused(CallRefused),
}
