//! Parameters of a script: what `param()` declares, and what somebody set in place of its defaults.
//!
//! In come a script, or its calls of `param()`, and what was set by name; out come the parameters with the value of each.
//! The script host calls it, and whoever lists a script's parameters or starts a run. It knows no bench: parameters come
//! before everything that asks for one, so that they can be listed without.

mod declare;
mod discover;
mod value;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::api::check;
use super::call::Call;
pub use discover::parameters_of;
pub use value::{ParameterKind, ParameterValue};

/// Most parameters of a script.
const PARAMETERS_MAX: usize = 64;

/// What was set: values by name, as texts (`"11.5"`, `"1,2,4"`, `"true"`) or as values of JSON.
pub type Set = BTreeMap<String, Value>;

/// A parameter with its value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    /// Its name, which ends in its unit.
    pub name: String,
    /// What it is, in words; empty where the script does not say.
    pub what: String,
    /// Its unit; empty where it has none.
    pub unit: String,
    /// What kind of thing it is.
    pub kind: ParameterKind,
    /// What it is worth.
    pub value: ParameterValue,
    /// Whether somebody set that; else it is the default.
    pub set: bool,
    /// What it is worth when nobody sets it.
    pub default: ParameterValue,
    /// Lowest and highest value of a number, or of each of a list.
    #[serde(flatten)]
    pub limits: Option<Limits>,
    /// The words there are to choose from.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub choices: Vec<String>,
    /// Most characters of a text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub letters_max: Option<usize>,
    /// Its line in the script, from 1.
    pub line: usize,
}

/// What a number may be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// Lowest.
    pub min: f64,
    /// Highest.
    pub max: f64,
}

/// What was set, of parameters: what a run must be given again to be the same.
pub fn set_of(parameters: &[Parameter]) -> Set {
    let set = parameters.iter().filter(|parameter| parameter.set);
    set.map(|parameter| (parameter.name.clone(), parameter.value.json())).collect()
}

/// Answers calls of `param()`.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    set: Set,
    /// Those declared so far.
    parameters: Vec<Parameter>,
    /// The first call that asked for the bench, with its line.
    after: Option<(String, usize)>,
}

impl Asked {
    /// With what was set.
    pub fn new(set: Set) -> Self {
        Asked { set, ..Asked::default() }
    }

    /// A call that asks for the bench or the nameplate: no parameter may come after it.
    pub fn bench_asked(&mut self, call: &Call) {
        self.after.get_or_insert_with(|| (call.name.clone(), call.line));
    }

    /// Those declared so far.
    pub fn declared(self) -> Vec<Parameter> {
        self.parameters
    }

    /// Answers one call.
    ///
    /// # Errors
    /// What is wrong with the declaration, or with what was set.
    pub fn answer(&mut self, call: &Call) -> Result<Value, String> {
        check(call)?;
        let [name, says] = call.arguments.as_slice() else {
            return Err("param() takes a name and a map, param(\"level_vrms\", #{ value: … })".into());
        };
        let mut parameter = declare::declared(name, says, call.line)?;
        let name = parameter.name.clone();
        if let Some((first, line)) = &self.after {
            return Err(format!(
                "param \"{name}\" comes after {first}() in line {line}: parameters come before everything that asks for bench or nameplate, so that they can be listed and set beforehand"
            ));
        }
        if let Some(earlier) = self.parameters.iter().find(|earlier| earlier.name == name) {
            return Err(format!("there is a param \"{name}\" in line {} already", earlier.line));
        }
        if self.parameters.len() >= PARAMETERS_MAX {
            return Err(format!("a script has at most {PARAMETERS_MAX} parameters"));
        }
        if let Some(given) = self.set.get(&name) {
            let told = given.as_str().map_or_else(|| given.to_string(), str::to_string);
            let value = parameter.kind.read(given).ok_or_else(|| {
                format!("{name} was set to {told}: it takes {}{}", parameter.kind.takes(), parameter.bounds())
            })?;
            parameter.check(&value).map_err(|why| format!("{name} was set to {told}: {why}"))?;
            (parameter.value, parameter.set) = (value, true);
        }
        let answer = parameter.value.json();
        self.parameters.push(parameter);
        Ok(answer)
    }
}

impl Parameter {
    /// What it may be, after what it takes.
    fn bounds(&self) -> String {
        match self.limits {
            Some(Limits { min, max }) => format!(", {min} to {max}{}", self.spaced_unit()),
            None if self.choices.is_empty() => String::new(),
            None => format!(": {}", self.choices.join(", ")),
        }
    }
}

#[cfg(test)]
mod tests;
