//! What a parameter can be worth: taken from a text that a person typed, or from a value of JSON.

use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Most values of a list.
pub const LIST_MAX: usize = 1000;

/// What kind of thing a parameter is; its default decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ParameterKind {
    /// A number.
    Number,
    /// A whole number.
    Whole,
    /// A list of numbers.
    Numbers,
    /// A list of whole numbers.
    Wholes,
    /// One of some words.
    Word,
    /// A text of one's own.
    Text,
    /// Yes or no.
    Flag,
}

impl ParameterKind {
    /// What it takes, in words.
    pub fn takes(self) -> &'static str {
        match self {
            ParameterKind::Number => "a number",
            ParameterKind::Whole => "a whole number",
            ParameterKind::Numbers => "numbers with commas between them",
            ParameterKind::Wholes => "whole numbers with commas between them",
            ParameterKind::Word => "one of its words",
            ParameterKind::Text => "a text",
            ParameterKind::Flag => "true or false",
        }
    }

    /// Whether limits hold for it.
    pub fn is_numeric(self) -> bool {
        !matches!(self, ParameterKind::Word | ParameterKind::Text | ParameterKind::Flag)
    }

    /// Whether it is whole.
    pub fn is_whole(self) -> bool {
        matches!(self, ParameterKind::Whole | ParameterKind::Wholes)
    }

    /// A value of this kind, from JSON of that kind or from a text; none where it is no such thing.
    pub fn read(self, given: &Value) -> Option<ParameterValue> {
        match (self, given) {
            (ParameterKind::Word | ParameterKind::Text, Value::String(word)) => {
                Some(ParameterValue::Word(word.clone()))
            }
            (ParameterKind::Flag, Value::Bool(flag)) => Some(ParameterValue::Flag(*flag)),
            (ParameterKind::Flag, Value::String(text)) => text.parse().ok().map(ParameterValue::Flag),
            (ParameterKind::Number, one) => number(one).map(ParameterValue::Number),
            (ParameterKind::Whole, one) => whole(one).map(ParameterValue::Whole),
            (ParameterKind::Numbers, many) => list(many, number).map(ParameterValue::Numbers),
            (ParameterKind::Wholes, many) => list(many, whole).map(ParameterValue::Wholes),
            _ => None,
        }
    }
}

fn number(given: &Value) -> Option<f64> {
    let number = match given {
        Value::String(text) => text.trim().parse().ok(),
        other => other.as_f64(),
    };
    number.filter(|number| number.is_finite())
}

fn whole(given: &Value) -> Option<i64> {
    if let Some(whole) = given.as_i64() {
        return Some(whole);
    }
    // 2^53: beyond it not every whole number is a number.
    let exact =
        number(given).filter(|number| number.fract() == 0.0 && number.abs() <= 9_007_199_254_740_992.0);
    exact.map(|number| number as i64)
}

fn list<T>(given: &Value, one: fn(&Value) -> Option<T>) -> Option<Vec<T>> {
    let items: Vec<Value> = match given {
        Value::String(text) => text.split(',').map(|part| part.into()).collect(),
        Value::Array(items) => items.clone(),
        _ => return None,
    };
    let fits = !items.is_empty() && items.len() <= LIST_MAX;
    fits.then(|| items.iter().map(one).collect()).flatten()
}

/// What a parameter is worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum ParameterValue {
    /// Yes or no.
    Flag(bool),
    /// A whole number.
    Whole(i64),
    /// A number.
    Number(f64),
    /// Whole numbers.
    Wholes(Vec<i64>),
    /// Numbers.
    Numbers(Vec<f64>),
    /// A word or a text.
    Word(String),
}

impl ParameterValue {
    /// Its numbers, if it has any.
    pub fn numbers(&self) -> Vec<f64> {
        match self {
            ParameterValue::Whole(whole) => vec![*whole as f64],
            ParameterValue::Number(number) => vec![*number],
            ParameterValue::Wholes(many) => many.iter().map(|whole| *whole as f64).collect(),
            ParameterValue::Numbers(many) => many.clone(),
            ParameterValue::Flag(_) | ParameterValue::Word(_) => Vec::new(),
        }
    }

    /// As JSON.
    pub fn json(&self) -> Value {
        match self {
            ParameterValue::Flag(flag) => (*flag).into(),
            ParameterValue::Whole(whole) => (*whole).into(),
            ParameterValue::Number(number) => (*number).into(),
            ParameterValue::Wholes(many) => many.clone().into(),
            ParameterValue::Numbers(many) => many.clone().into(),
            ParameterValue::Word(word) => word.clone().into(),
        }
    }
}

/// As it is typed: `wattproof run --set name=…`.
impl std::fmt::Display for ParameterValue {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        fn joined<T: ToString>(many: &[T]) -> String {
            many.iter().map(T::to_string).collect::<Vec<_>>().join(",")
        }
        match self {
            ParameterValue::Flag(flag) => write!(f, "{flag}"),
            ParameterValue::Whole(whole) => write!(f, "{whole}"),
            ParameterValue::Number(number) => write!(f, "{number}"),
            ParameterValue::Wholes(many) => write!(f, "{}", joined(many)),
            ParameterValue::Numbers(many) => write!(f, "{}", joined(many)),
            ParameterValue::Word(word) => write!(f, "{word}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    /// Project definition: a text and a value of JSON mean the same.
    #[test]
    fn texts_and_values_mean_the_same() {
        use ParameterKind::{Flag, Number, Numbers, Text, Whole, Wholes, Word};
        for (kind, text, value) in [
            (Number, "11.5", json!(11.5)),
            (Number, "11", json!(11)),
            (Number, "-1e-3", json!(-0.001)),
            (Whole, "4", json!(4)),
            (Whole, "4.0", json!(4.0)),
            (Numbers, "1,2.5, 3", json!([1, 2.5, 3])),
            (Wholes, "1,2", json!([1, 2])),
            (Flag, "true", json!(true)),
            (Word, "pink", json!("pink")),
            (Text, "", json!("")),
            (Text, "unit 7, bay 2", json!("unit 7, bay 2")),
        ] {
            let read = kind.read(&json!(text)).unwrap();
            assert_eq!(Some(&read), kind.read(&value).as_ref(), "{text}");
            assert_eq!(kind.read(&json!(read.to_string())), Some(read.clone()), "typed again");
            assert_eq!(kind.read(&read.json()), Some(read), "from the record");
        }
        for (kind, given) in [
            (Number, json!("inf")),
            (Number, json!("1 V")),
            (Number, json!(true)),
            (Whole, json!(2.5)),
            (Whole, json!(1e300)),
            (Numbers, json!("")),
            (Numbers, json!([])),
            (Numbers, json!([1, "x"])),
            (Numbers, json!(vec![1; LIST_MAX + 1])),
            (Flag, json!("yes")),
            (Word, json!(1)),
        ] {
            assert_eq!(kind.read(&given), None, "{given}");
        }
    }

    /// A whole number and a number are told apart in the record, since a script divides them differently.
    #[test]
    fn records_keep_whole_numbers_whole() {
        for value in [
            ParameterValue::Whole(4),
            ParameterValue::Number(4.0),
            ParameterValue::Wholes(vec![1]),
            ParameterValue::Numbers(vec![1.0]),
            ParameterValue::Flag(false),
            ParameterValue::Word("4".into()),
        ] {
            let text = serde_json::to_string(&value).unwrap();
            assert_eq!(serde_json::from_str::<ParameterValue>(&text).unwrap(), value, "{text}");
        }
    }
}
