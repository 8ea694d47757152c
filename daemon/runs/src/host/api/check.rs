//! Checks what a call was given before anything is done with it, and says what is meant where it is wrong.

use serde_json::Value;

use super::super::call::Call;
use super::super::nearest::perhaps;
use super::super::units::unit_of;
use super::{Argument, Function, Key, Takes, functions};

/// What a wrong unit in a key is told, by the unit there and the unit meant.
const CONVERSIONS: [(&str, &str, &str); 14] = [
    ("vpk", "vrms", "the rms of a sine is its peak divided by √2: divide by 1.4142"),
    ("vp", "vrms", "the rms of a sine is its peak divided by √2: divide by 1.4142"),
    ("vpp", "vrms", "the rms of a sine is its peak to peak divided by 2·√2: divide by 2.8284"),
    ("mv", "vrms", "divide by 1000"),
    ("mvrms", "vrms", "divide by 1000"),
    ("v", "vrms", "it is V rms"),
    ("dbv", "vrms", "level_dbv takes dB re 1 V rms; db_to_ratio() turns dBV into V rms"),
    (
        "w",
        "vrms",
        "the source is set in volts at the amplifier's input, not in watts at its output: find_ceiling() finds the level of a rating's power",
    ),
    ("dbu", "dbv", "0 dBu is −2.218 dBV: subtract 2.218"),
    ("khz", "hz", "multiply by 1000"),
    ("ms", "s", "divide by 1000"),
    ("kohm", "ohm", "multiply by 1000"),
    ("ma", "a", "divide by 1000"),
    ("apk", "a", "it is A"),
];

/// The function that a call means; those of its name where it is none of them.
pub fn meant(call: &Call) -> Result<&'static Function, Vec<&'static Function>> {
    let named: Vec<&Function> = functions().filter(|function| function.name == call.name).collect();
    let given = &call.arguments;
    let fitting: Vec<&&Function> =
        named.iter().filter(|function| function.arguments.len() == given.len()).collect();
    let of_kind = fitting.iter().find(|function| of_kind(function, given)).or(fitting.first());
    of_kind.map(|function| **function).ok_or(named)
}

/// Checks number, keys, kinds and limits of a call's arguments.
///
/// # Errors
/// What is wrong and what is meant.
pub fn check(call: &Call) -> Result<(), String> {
    let function = match meant(call) {
        Ok(function) => function,
        Err(named) if named.is_empty() => {
            return Err(format!(
                "there is no function {}(): scripts/REFERENCE.md tells those there are",
                call.name
            ));
        }
        Err(named) => {
            let ways = named.into_iter().map(usage).collect::<Vec<_>>().join(" or ");
            return Err(format!(
                "{}() of {} arguments is not known: call {ways}",
                call.name,
                call.arguments.len()
            ));
        }
    };
    for (argument, value) in function.arguments.iter().zip(&call.arguments) {
        match argument {
            Argument::Plain(key) => takes(function.name, key, value, &format!("{}()", function.name))?,
            Argument::Map(keys) => map(function, keys, value)?,
        }
    }
    Ok(())
}

/// The ways in which functions of a name are called.
pub fn usages(name: &str) -> Vec<String> {
    functions().filter(|function| function.name == name).map(usage).collect()
}

/// Whether what is given first is of the kind that this function takes, where there are two of one name.
fn of_kind(function: &Function, given: &[Value]) -> bool {
    match (function.arguments.first(), given.first()) {
        (Some(Argument::Plain(Key { takes: Takes::Text, .. })), Some(first)) => first.is_string(),
        (Some(Argument::Plain(Key { takes: Takes::Given(_), .. })), Some(first)) => first.is_object(),
        _ => true,
    }
}

/// How a function is called.
pub fn usage(function: &Function) -> String {
    let arguments: Vec<String> = function
        .arguments
        .iter()
        .map(|argument| match argument {
            Argument::Plain(key) => key.name.to_string(),
            Argument::Map(keys) => {
                format!("#{{ {} }}", keys.iter().map(|key| key.name).collect::<Vec<_>>().join(", "))
            }
        })
        .collect();
    format!("{}({})", function.name, arguments.join(", "))
}

fn map(function: &Function, keys: &[Key], value: &Value) -> Result<(), String> {
    let name = function.name;
    let Some(map) = value.as_object() else {
        return Err(format!("{name}() takes a map, {}, not {value}", usage(function)));
    };
    for (given, value) in map {
        let Some(key) = keys.iter().find(|key| key.name == given) else {
            return Err(unknown(name, keys, given));
        };
        takes(name, key, value, &format!("{name}(#{{ {} }})", key.name))?;
    }
    match keys.iter().find(|key| key.needed && !map.contains_key(key.name)) {
        Some(missing) => Err(format!("{name}() needs {}: {}", missing.name, missing.what)),
        None => Ok(()),
    }
}

/// What a key that is not known was meant to be.
fn unknown(name: &str, keys: &[Key], given: &str) -> String {
    let (stem, unit) = given.rsplit_once('_').unwrap_or((given, ""));
    let of_stem = |key: &&Key| key.name.strip_prefix(stem).is_some_and(|rest| rest.starts_with('_'));
    let also = keys.iter().find(|key| key.also.contains(&given));
    // The source's level is set in volts, whatever a power is called.
    let in_watts = (unit == "w" || matches!(given, "watts" | "power"))
        .then(|| keys.iter().find(|key| unit_of(key.name) == "V rms"))
        .flatten();
    let converted = |key: &&Key| {
        let meant = key.name.rsplit('_').next().unwrap_or_default();
        let unit = if in_watts.is_some() { "w" } else { unit };
        CONVERSIONS.iter().find(|(from, to, _)| *from == unit && *to == meant).map(|(.., how)| *how)
    };
    let of_unit = keys.iter().filter(of_stem).find(|key| converted(key).is_some());
    let meant = in_watts.or(of_unit).or(also).or_else(|| keys.iter().find(of_stem));
    let all = keys.iter().map(|key| key.name);
    match meant {
        Some(key) => {
            let unit = unit_of(key.name);
            let unit = if unit.is_empty() { String::new() } else { format!(", in {unit}") };
            let how = converted(&key).map(|how| format!("; {how}")).unwrap_or_default();
            format!("{name}() knows no {given}: {} is meant{unit}{how}", key.name)
        }
        None => {
            let hint = perhaps(given, all.clone());
            format!("{name}() knows no {given}{hint}; it takes {}", all.collect::<Vec<_>>().join(", "))
        }
    }
}

/// Whether a value is what a key takes; `place` tells where it stands.
fn takes(name: &str, key: &Key, value: &Value, place: &str) -> Result<(), String> {
    let wanted = || {
        let unit = unit_of(key.name);
        let unit = if unit.is_empty() { String::new() } else { format!(" ({unit})") };
        Err(format!("{place} takes {}{unit} for {}, not {}", told(key.takes), key.name, short(value)))
    };
    let between = |value: &Value, low: f64, high: f64| {
        value.as_f64().is_some_and(|number| (low..=high).contains(&number))
    };
    let fits = match key.takes {
        Takes::Number(low, high) => between(value, low, high),
        Takes::Setpoint => value.is_number(),
        Takes::Setpoints => value.as_array().is_some_and(|list| list.iter().all(Value::is_number)),
        Takes::Whole(low, high) => {
            between(value, low, high) && value.as_f64().is_some_and(|number| number.fract() == 0.0)
        }
        Takes::Flag => value.is_boolean(),
        Takes::Word(words) => value.as_str().is_some_and(|word| words.contains(&word)),
        Takes::Text => value.is_string(),
        Takes::Texts => value.as_array().is_some_and(|list| list.iter().all(Value::is_string)),
        Takes::Given(shape) => {
            if !value.is_object() {
                return Err(format!(
                    "{name}() takes a {} for {}: {}, not {}",
                    shape.name,
                    key.name,
                    key.what,
                    short(value)
                ));
            }
            true
        }
        Takes::MayNumber => value.is_null() || value.is_number(),
        Takes::Anything => true,
    };
    if fits { Ok(()) } else { wanted() }
}

/// A value as a message shows it.
fn short(value: &Value) -> String {
    const SHOWN: usize = 60;
    let text = match value {
        Value::Null => "()".to_string(),
        other => other.to_string(),
    };
    match text.char_indices().nth(SHOWN) {
        Some((end, _)) => format!("{} …", text.get(..end).unwrap_or_default()),
        None => text,
    }
}

/// What is taken, in words.
pub fn told(takes: Takes) -> String {
    let range = |low: f64, high: f64| match (low, high) {
        (f64::MIN, f64::MAX) => String::new(),
        (low, high) => format!(" from {low} to {high}"),
    };
    match takes {
        Takes::Number(low, high) => format!("a number{}", range(low, high)),
        Takes::Setpoint => "a number".into(),
        Takes::Setpoints => "a list of numbers".into(),
        Takes::Whole(low, high) => format!("a whole number{}", range(low, high)),
        Takes::Flag => "true or false".into(),
        Takes::Word(words) => words.iter().map(|word| format!("\"{word}\"")).collect::<Vec<_>>().join(" or "),
        Takes::Text => "a text".into(),
        Takes::Texts => "a list of texts".into(),
        Takes::Given(shape) => format!("a {}", shape.name),
        Takes::MayNumber => "a number, or ()".into(),
        Takes::Anything => "any value".into(),
    }
}
