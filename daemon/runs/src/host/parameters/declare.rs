//! What `param(name, #{ … })` declares, checked before anything is made of it.

use serde_json::Value;

use super::super::arguments::Arguments;
use super::super::units::{suffix_of, unit_of, units};
use super::value::{ParameterKind, ParameterValue};
use super::{Limits, Parameter};

/// Longest name, unit and choice, characters.
const WORD_CHARS_MAX: usize = 40;
/// Longest description, characters.
const WHAT_CHARS_MAX: usize = 200;
/// Longest text that a person may give, characters.
const TEXT_CHARS_MAX: usize = 1000;
/// Most words to choose from.
const CHOICES_MAX: usize = 50;

/// Reads a declaration; what is set in place of its default comes later.
pub fn declared(name: &Value, says: &Value, line: usize) -> Result<Parameter, String> {
    let name = name.as_str().ok_or("param() takes a name first, param(\"level_vrms\", #{ value: … })")?;
    check_name(name)?;
    let says = Arguments::of("param", says)?;
    let wrong = |what: String| format!("param \"{name}\": {what}");
    let default = says.value("value").ok_or_else(|| wrong("it needs a value, its default".into()))?;
    let unit = unit(name, says.word("unit").map_err(wrong)?, default).map_err(wrong)?;
    let what = says.word("what").map_err(wrong)?.unwrap_or_default();
    if what.chars().count() > WHAT_CHARS_MAX {
        return Err(wrong(format!("what it is is told in at most {WHAT_CHARS_MAX} characters")));
    }
    let mut kind = kind(default, says.value("min"), says.value("max"), unit.is_empty()).map_err(wrong)?;
    let letters_max = letters_max(kind, &says).map_err(wrong)?;
    if letters_max.is_some() {
        kind = ParameterKind::Text;
    }
    let limits = limits(kind, &says).map_err(wrong)?;
    let choices = choices(kind, &says).map_err(wrong)?;
    let taken = kind
        .read(default)
        .ok_or_else(|| wrong(format!("its value takes {}, not {default}", kind.takes())))?;
    let parameter = Parameter {
        name: name.into(),
        what,
        unit: unit.into(),
        kind,
        value: taken.clone(),
        set: false,
        default: taken,
        limits,
        choices,
        letters_max,
        line,
    };
    parameter.check(&parameter.default).map_err(|why| wrong(format!("its own default: {why}")))?;
    Ok(parameter)
}

fn check_name(name: &str) -> Result<(), String> {
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
    if name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.chars().all(plain)
        && name.len() <= WORD_CHARS_MAX
    {
        return Ok(());
    }
    Err(format!(
        "param(\"{}\"): a name has small letters, digits and underlines, begins with a letter and ends in its unit, as level_vrms; at most {WORD_CHARS_MAX} characters",
        name.chars().take(WORD_CHARS_MAX).collect::<String>()
    ))
}

/// The unit, which the name carries too.
fn unit(name: &str, told: Option<String>, default: &Value) -> Result<&'static str, String> {
    let carried = match default {
        Value::Number(_) | Value::Array(_) => unit_of(name),
        _ => "",
    };
    let Some(told) = told.filter(|told| told != carried) else { return Ok(carried) };
    Err(match suffix_of(&told) {
        Some(_) if !(default.is_number() || default.is_array()) => {
            format!("unit \"{told}\" stands at what is no number: leave it out")
        }
        Some(suffix) if carried.is_empty() => {
            format!("unit \"{told}\", but its name does not say so: call it {name}{suffix}")
        }
        Some(suffix) => {
            format!(
                "its name says {carried}, its unit \"{told}\": call it …{suffix}, or give unit: \"{carried}\""
            )
        }
        None if carried.is_empty() => {
            format!("there is no unit \"{told}\": there are {}, or \"\" for none", units())
        }
        None => format!("there is no unit \"{told}\": by its name it is \"{carried}\""),
    })
}

/// The kind, by the default. Numbers with a unit are never whole: a script would divide them without a remainder.
fn kind(
    default: &Value,
    min: Option<&Value>,
    max: Option<&Value>,
    no_unit: bool,
) -> Result<ParameterKind, String> {
    let ends_whole = [min, max].into_iter().flatten().all(Value::is_i64);
    match default {
        Value::Bool(_) => Ok(ParameterKind::Flag),
        Value::String(_) => Ok(ParameterKind::Word),
        Value::Number(one) if no_unit && ends_whole && one.is_i64() => Ok(ParameterKind::Whole),
        Value::Number(_) => Ok(ParameterKind::Number),
        Value::Array(many) if no_unit && ends_whole && many.iter().all(Value::is_i64) => {
            Ok(ParameterKind::Wholes)
        }
        Value::Array(_) => Ok(ParameterKind::Numbers),
        other => {
            Err(format!("its value is a number, a list of numbers, a word, or true or false, not {other}"))
        }
    }
}

fn limits(kind: ParameterKind, says: &Arguments) -> Result<Option<Limits>, String> {
    match (says.number("min")?, says.number("max")?) {
        (None, None) if !kind.is_numeric() => Ok(None),
        _ if !kind.is_numeric() => Err("min and max are for numbers: leave them out".into()),
        (Some(min), Some(max)) if min <= max => Ok(Some(Limits { min, max })),
        (Some(min), Some(max)) => Err(format!("min is {min}, above max, which is {max}")),
        _ => {
            Err("a number needs min and max: what is outside is refused before anything is switched on"
                .into())
        }
    }
}

/// Most characters of a text of one's own; none for what is none.
fn letters_max(kind: ParameterKind, says: &Arguments) -> Result<Option<usize>, String> {
    let Some(given) = says.number("letters_max")? else { return Ok(None) };
    if kind != ParameterKind::Word || says.value("choices").is_some() {
        return Err(
            "letters_max is for a text of one's own, which has no choices: leave one of them out".into()
        );
    }
    if !(1.0..=TEXT_CHARS_MAX as f64).contains(&given) || given.fract() != 0.0 {
        return Err(format!("letters_max is a whole number from 1 to {TEXT_CHARS_MAX}, not {given}"));
    }
    Ok(Some(given as usize))
}

fn choices(kind: ParameterKind, says: &Arguments) -> Result<Vec<String>, String> {
    let given = says.words("choices")?;
    match given {
        None if kind == ParameterKind::Word => {
            Err("a word needs choices, the words there are: choices: [\"white\", \"pink\"]; a text of one's own needs letters_max: 80".into())
        }
        None => Ok(Vec::new()),
        Some(_) if kind != ParameterKind::Word => Err("choices are for words: leave them out".into()),
        Some(words) => {
            let short = |word: &String| {
                !word.is_empty() && word.trim() == word && word.chars().count() <= WORD_CHARS_MAX
            };
            if words.is_empty() || words.len() > CHOICES_MAX || !words.iter().all(short) {
                return Err(format!(
                    "choices are 1 to {CHOICES_MAX} words of at most {WORD_CHARS_MAX} characters, without spaces around"
                ));
            }
            Ok(words)
        }
    }
}

impl Parameter {
    /// Whether a value keeps the limits or is among the choices.
    pub fn check(&self, value: &ParameterValue) -> Result<(), String> {
        if let (ParameterValue::Word(text), Some(most)) = (value, self.letters_max) {
            if text.chars().count() > most {
                return Err(format!("the text has more than {most} characters"));
            }
            if text.chars().any(char::is_control) {
                return Err("the text holds a line end or another character that can't be shown".into());
            }
            return Ok(());
        }
        if let ParameterValue::Word(word) = value
            && !self.choices.contains(word)
        {
            return Err(format!("\"{word}\" is none of {}", self.choices.join(", ")));
        }
        let Some(Limits { min, max }) = self.limits else { return Ok(()) };
        match value.numbers().into_iter().find(|number| !(min..=max).contains(number)) {
            Some(outside) => Err(format!("{outside} is outside {min} to {max}{}", self.spaced_unit())),
            None => Ok(()),
        }
    }

    /// The unit as it follows a number; nothing where there is none.
    pub fn spaced_unit(&self) -> String {
        if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) }
    }
}
