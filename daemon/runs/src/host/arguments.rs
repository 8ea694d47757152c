//! Named arguments of host calls, taken out of a map that `api` has checked.

use serde_json::{Map, Value};

/// A call's named arguments.
pub struct Arguments {
    call: &'static str,
    map: Map<String, Value>,
}

impl Arguments {
    /// Takes the map of a call whose keys were checked.
    pub fn of(call: &'static str, given: &Value) -> Result<Self, String> {
        let map = given.as_object().cloned().ok_or_else(|| format!("{call}() takes a map, not {given}"))?;
        Ok(Arguments { call, map })
    }

    /// Whatever was given.
    pub fn value(&self, key: &str) -> Option<&Value> {
        self.map.get(key)
    }

    /// A finite number, if given.
    pub fn number(&self, key: &str) -> Result<Option<f64>, String> {
        self.map.get(key).map(|value| number(self.call, key, value)).transpose()
    }

    /// A list of finite numbers, if given.
    pub fn numbers(&self, key: &str) -> Result<Option<Vec<f64>>, String> {
        let Some(value) = self.map.get(key) else { return Ok(None) };
        let list = value
            .as_array()
            .ok_or_else(|| format!("{}(#{{ {key}: … }}) takes a list of numbers, not {value}", self.call))?;
        list.iter().map(|value| number(self.call, key, value)).collect::<Result<_, _>>().map(Some)
    }

    /// A yes or no, if given.
    pub fn flag(&self, key: &str) -> Result<Option<bool>, String> {
        let wrong =
            |value: &Value| format!("{}(#{{ {key}: … }}) takes true or false, not {value}", self.call);
        self.map.get(key).map(|value| value.as_bool().ok_or_else(|| wrong(value))).transpose()
    }

    /// A list of words, if given.
    pub fn words(&self, key: &str) -> Result<Option<Vec<String>>, String> {
        let Some(value) = self.map.get(key) else { return Ok(None) };
        let words =
            value.as_array().map(|list| list.iter().map(|word| word.as_str().map(str::to_string)).collect());
        let wrong = || format!("{}(#{{ {key}: … }}) takes a list of texts, not {value}", self.call);
        words.flatten().map(Some).ok_or_else(wrong)
    }

    /// A word, if given.
    pub fn word(&self, key: &str) -> Result<Option<String>, String> {
        let wrong = |value: &Value| format!("{}(#{{ {key}: … }}) takes a text, not {value}", self.call);
        self.map
            .get(key)
            .map(|value| value.as_str().map(str::to_string).ok_or_else(|| wrong(value)))
            .transpose()
    }
}

/// A finite number from a script value; whole numbers count.
pub fn number(call: &str, name: &str, value: &Value) -> Result<f64, String> {
    value
        .as_f64()
        .filter(|number| number.is_finite())
        .ok_or_else(|| format!("{call}() needs {name} as a finite number, not {value}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_must_be_finite() {
        assert_eq!(number("settle", "seconds", &2.into()).unwrap(), 2.0);
        assert!(number("settle", "seconds", &f64::NAN.into()).is_err());
        assert!(number("settle", "seconds", &"2".into()).is_err());
    }
}
