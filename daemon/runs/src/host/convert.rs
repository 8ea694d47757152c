//! Script values to JSON and back.

use rhai::{Array, Dynamic, Map};
use serde_json::Value;

/// Deepest nesting of lists and maps in a value: what is nested more deeply could be written into the journal, but not
/// read back.
const DEPTH_MAX: usize = 64;

/// A script value as JSON.
///
/// # Errors
/// Says which value can't be handed over, and why.
pub fn to_json(value: &Dynamic) -> Result<Value, String> {
    within(value, DEPTH_MAX)
}

fn within(value: &Dynamic, depth_left: usize) -> Result<Value, String> {
    if value.is_unit() {
        return Ok(Value::Null);
    }
    if let Ok(flag) = value.as_bool() {
        return Ok(flag.into());
    }
    if let Ok(whole) = value.as_int() {
        return Ok(whole.into());
    }
    if let Ok(number) = value.as_float() {
        return serde_json::Number::from_f64(number).map(Value::Number).ok_or_else(|| {
            format!("a value is {number}, which is no finite number: see where it comes from")
        });
    }
    if let Ok(letter) = value.as_char() {
        return Ok(letter.to_string().into());
    }
    if let Some(text) = value.read_lock::<rhai::ImmutableString>() {
        return Ok(text.to_string().into());
    }
    let too_deep = || format!("a value nests lists and maps more than {DEPTH_MAX} deep: hand over less");
    if let Some(items) = value.read_lock::<Array>() {
        let depth_left = depth_left.checked_sub(1).ok_or_else(too_deep)?;
        let items = items.iter().map(|item| within(item, depth_left));
        return items.collect::<Result<Vec<_>, _>>().map(Value::Array);
    }
    if let Some(map) = value.read_lock::<Map>() {
        let depth_left = depth_left.checked_sub(1).ok_or_else(too_deep)?;
        let pairs =
            map.iter().map(|(key, value)| within(value, depth_left).map(|value| (key.to_string(), value)));
        return pairs.collect::<Result<_, _>>().map(Value::Object);
    }
    Err(format!("a value of type {} can't be handed over", value.type_name()))
}

/// JSON as a script value: whole numbers stay whole, what is absent is `()`.
pub fn from_json(value: Value) -> Dynamic {
    match value {
        Value::Null => Dynamic::UNIT,
        Value::Bool(flag) => flag.into(),
        Value::Number(number) => match number.as_i64() {
            Some(whole) => whole.into(),
            None => number.as_f64().unwrap_or(f64::NAN).into(),
        },
        Value::String(text) => text.into(),
        Value::Array(items) => items.into_iter().map(from_json).collect::<Array>().into(),
        Value::Object(map) => Dynamic::from_map(
            map.into_iter().map(|(key, value)| (key.into(), from_json(value))).collect::<Map>(),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_come_back_as_they_went() {
        let value = serde_json::json!({
            "whole": 3, "number": 3.0, "tiny": 5e-324, "text": "2 ohm", "none": null, "yes": true, "list": [1, [2.5]],
        });
        assert_eq!(to_json(&from_json(value.clone())).unwrap(), value);
        assert!(from_json(serde_json::json!(3.0)).is_float() && from_json(serde_json::json!(3)).is_int());
    }

    #[test]
    fn what_is_no_number_is_refused() {
        let map = Map::from([("level_vrms".into(), Dynamic::from(f64::NAN))]);
        assert!(to_json(&Dynamic::from_map(map)).unwrap_err().contains("finite"));
        assert!(to_json(&Dynamic::from(std::time::Instant::now())).is_err());
    }

    /// Readers of JSON give up at some depth, ours at 128 (its documentation), with what stands around the value.
    #[test]
    fn what_could_not_be_read_back_is_refused() {
        let nested = |depth: usize| (1..depth).fold(Array::new(), |inner, _| vec![inner.into()]);
        let deepest = to_json(&nested(DEPTH_MAX).into()).unwrap();
        let line = serde_json::json!({ "data": { "arguments": [{ "value": deepest }] } }).to_string();
        assert!(serde_json::from_str::<Value>(&line).is_ok());
        assert!(to_json(&nested(DEPTH_MAX + 1).into()).unwrap_err().contains("deep"));
    }
}
