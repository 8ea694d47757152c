//! Script errors with file, line, column and source line.

use std::path::Path;

use rhai::{EvalAltResult, Position};

use crate::ScriptFault;

/// A fault at a position of a script.
pub fn from_position(path: &Path, source: &str, position: Position, message: String) -> ScriptFault {
    let line = position.line().unwrap_or(0);
    ScriptFault {
        path: path.into(),
        line,
        column: position.position().unwrap_or(0),
        source_line: source.lines().nth(line.saturating_sub(1)).unwrap_or_default().to_string(),
        message,
    }
}

/// The position where it really happened: inside the function, not at its call.
pub fn innermost(error: &EvalAltResult) -> Position {
    match error {
        EvalAltResult::ErrorInFunctionCall(_, _, inner, outer)
        | EvalAltResult::ErrorInModule(_, inner, outer) => {
            let position = innermost(inner);
            if position.is_none() { *outer } else { position }
        }
        other => other.position(),
    }
}

/// What happened and what to do, in words of the bench rather than of the engine.
pub fn message(error: &EvalAltResult) -> String {
    match error {
        EvalAltResult::ErrorInFunctionCall(_, _, inner, _) | EvalAltResult::ErrorInModule(_, inner, _) => {
            message(inner)
        }
        EvalAltResult::ErrorTooManyOperations(_) => {
            "the script ran too long without end: look for a loop that never ends".into()
        }
        EvalAltResult::ErrorStackOverflow(_) => {
            "functions call each other too deeply: look for a recursion that never ends".into()
        }
        EvalAltResult::ErrorDataTooLarge(what, _) => {
            format!("{what} is too large: keep less in one value, the record keeps every step anyway")
        }
        EvalAltResult::ErrorTerminated(why, _) => why.to_string(),
        EvalAltResult::ErrorFunctionNotFound(signature, _) => {
            format!("there is no function {signature}: see scripts/README.md for those there are")
        }
        EvalAltResult::ErrorVariableNotFound(name, _) => {
            format!("there is no variable {name}: declare it with let")
        }
        EvalAltResult::ErrorRuntime(value, _) => value.to_string(),
        other => {
            let text = other.to_string();
            text.split(" (line ").next().unwrap_or(&text).to_string()
        }
    }
}
