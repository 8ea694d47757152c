//! Script errors with file, line, column and source line.

use std::path::Path;

use rhai::{EvalAltResult, Position};

use super::slips::Slips;
use crate::ScriptFault;

/// What is shown of a source line before the fault and after it, characters: a script may be one line of a mebibyte.
const SHOWN_CHARS: usize = 100;
/// Longest message, characters: the engine's may quote a name as long as the script.
const MESSAGE_CHARS_MAX: usize = 2000;

/// A fault at a position of a script.
pub fn from_position(path: &Path, source: &str, position: Position, message: String) -> ScriptFault {
    // The engine takes a carriage return that ends a comment for the end of a line; there is no line beyond the last.
    let lines = source.matches('\n').count() + 1;
    let (line, column) = (position.line().unwrap_or(0).min(lines), position.position().unwrap_or(0));
    let whole = source.lines().nth(line.saturating_sub(1)).unwrap_or_default();
    let left_out = column.saturating_sub(1 + SHOWN_CHARS);
    let shown = whole.chars().skip(left_out).take(2 * SHOWN_CHARS);
    let message = match message.char_indices().nth(MESSAGE_CHARS_MAX) {
        Some((end, _)) => format!("{} …", message.get(..end).unwrap_or_default()),
        None => message,
    };
    ScriptFault {
        path: path.into(),
        line,
        column,
        source_line: shown.collect(),
        caret: column.saturating_sub(left_out),
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
pub fn message(error: &EvalAltResult, slips: &Slips<'_>) -> String {
    match error {
        EvalAltResult::ErrorInFunctionCall(_, _, inner, _) | EvalAltResult::ErrorInModule(_, inner, _) => {
            message(inner, slips)
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
        EvalAltResult::ErrorFunctionNotFound(signature, _) => slips.missing_function(signature),
        EvalAltResult::ErrorPropertyNotFound(name, _) => slips.missing_field(name),
        EvalAltResult::ErrorDotExpr(told, _) => slips.no_map(told),
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_beyond_the_last_is_named() {
        let fault = from_position(Path::new("s.rhai"), "a\nb//\r", Position::new(3, 1), "y".into());
        assert_eq!(fault.line, 2);
    }

    #[test]
    fn the_caret_stands_under_the_fault_in_a_line_of_any_length() {
        for before in [0, 3, 99, 100, 101, 60_000] {
            let source = format!("\n{}X{}", "é".repeat(before), "b".repeat(90_000));
            let fault = from_position(
                Path::new("s.rhai"),
                &source,
                Position::new(2, before as u16 + 1),
                "y".repeat(9000),
            );
            let told = fault.to_string();
            let lines: Vec<&str> = told.lines().collect();
            let caret = lines[3].chars().position(|c| c == '^').unwrap();
            assert_eq!(lines[2].chars().nth(caret), Some('X'), "{before}");
            assert!(told.len() < 3000, "{before}: {} bytes", told.len());
        }
    }
}
