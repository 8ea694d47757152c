//! `wattproof trace`: what the script of a recorded run asked for, line by line, and what it got.

use clap::Args;
use serde_json::Value;
use wattproof_runs::{TracedCall, trace as traced};

use crate::cli::WhichRun;
use crate::failure::Failure;
use crate::run_folder::folder_of;
use crate::say::{say, say_json};

/// Characters of a value that are shown without `--whole`.
const SHOWN_CHARS: usize = 100;

/// `trace`.
#[derive(Args)]
pub struct TraceOrder {
    /// Which run
    #[command(flatten)]
    pub which: WhichRun,
    /// Only calls on this line of the script
    #[arg(long, value_name = "N")]
    pub line: Option<u64>,
    /// Show every value whole
    #[arg(long)]
    pub whole: bool,
    /// Print the calls as JSON
    #[arg(long)]
    pub json: bool,
}

/// Reads the run's journal, prints a line for each call.
pub fn trace(order: &TraceOrder) -> Result<(), Failure> {
    let mut calls = traced(&folder_of(&order.which)?)?;
    calls.retain(|call| order.line.is_none() || call.line == order.line);
    if order.json {
        return say_json(&calls);
    }
    if calls.is_empty() {
        return say(&match order.line {
            Some(line) => format!("no call is on line {line} of the script"),
            None => "the script asked for nothing".into(),
        });
    }
    calls.iter().try_for_each(|call| say(&told(call, order.whole)))
}

fn told(call: &TracedCall, whole: bool) -> String {
    let chars = if whole { usize::MAX } else { SHOWN_CHARS };
    let arguments: Vec<String> = call.arguments.iter().map(|value| cut(&script_text(value), chars)).collect();
    let line = call.line.map_or_else(|| "-".to_string(), |line| line.to_string());
    let came = match (&call.error, &call.gave) {
        (Some(error), _) => format!("failed: {error}"),
        (None, Some(Value::Null)) => String::new(),
        (None, Some(value)) => format!("gives {}", cut(&script_text(value), chars)),
        (None, None) => "was not answered".into(),
    };
    let took = call.took_s.map_or_else(String::new, |took_s| format!("{took_s:.3} s "));
    let head = format!("{:9.3} s  line {line:>4}  {}({})", call.at_s, call.name, arguments.join(", "));
    format!("{head}  {took}{came}").trim_end().to_string()
}

/// A value as a script would write it.
fn script_text(value: &Value) -> String {
    match value {
        Value::Null => "()".into(),
        Value::Array(items) => format!("[{}]", items.iter().map(script_text).collect::<Vec<_>>().join(", ")),
        Value::Object(map) => {
            let pairs = map.iter().map(|(key, value)| format!("{key}: {}", script_text(value)));
            format!("#{{ {} }}", pairs.collect::<Vec<_>>().join(", "))
        }
        other => other.to_string(),
    }
}

fn cut(text: &str, chars: usize) -> String {
    match text.char_indices().nth(chars) {
        Some((end, _)) => format!("{} …", text.get(..end).unwrap_or_default()),
        None => text.into(),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    /// Object maps and unit as Rhai writes them (the Rhai book, from memory).
    #[test]
    fn values_are_written_as_in_a_script() {
        let value = json!({ "ohm": 4.0, "x": [null, true, "a"] });
        assert_eq!(script_text(&value), "#{ ohm: 4.0, x: [(), true, \"a\"] }");
        assert_eq!(cut("ä234", 2), "ä2 …");
        assert_eq!(cut("ä2", 2), "ä2");
    }
}
