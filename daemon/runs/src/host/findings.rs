//! Script function for findings.

use serde_json::Value;

use super::arguments::Arguments;
use super::functions::{answer, call};
use crate::RunError;
use crate::finding::Stated;
use crate::stage::Stage;

/// Carries out `finding`.
pub fn finding(stage: &mut Stage, map: &Value) -> Result<Value, RunError> {
    // What is `()` was not told: it counts as left out.
    let told = map.as_object().map(|map| {
        let given = map.iter().filter(|(_, value)| !value.is_null());
        Value::Object(given.map(|(key, value)| (key.clone(), value.clone())).collect())
    });
    let arguments = Arguments::of("finding", told.as_ref().unwrap_or(map)).map_err(call)?;
    let word = |key: &str| arguments.word(key).map_err(call).map(Option::unwrap_or_default);
    let number = |key: &str| arguments.number(key).map_err(call);
    let name = word("name")?;
    let needed = |what: &str| {
        call(format!(
            "finding(#{{ name: \"{name}\" }}) needs {what}; what could not be told is no finding, print() it"
        ))
    };
    let channel = number("channel")?.map(|channel| {
        let whole = channel.fract() == 0.0 && (1.0..=64.0).contains(&channel);
        whole.then_some(channel as u32).ok_or_else(|| {
            call(format!("finding() takes the number of an amplifier channel, from 1, not {channel}"))
        })
    });
    let stated = Stated {
        value: number("value")?.ok_or_else(|| needed("a value"))?,
        unit: arguments
            .word("unit")
            .map_err(call)?
            .ok_or_else(|| needed("a unit (\"\" for a number that has none)"))?,
        u: number("u")?,
        channel: channel.transpose()?,
        at: word("at")?,
        low: number("low")?,
        high: number("high")?,
        note: word("note")?,
        name,
    };
    answer(&stage.record_finding(&stated)?)
}
