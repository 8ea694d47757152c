//! The built-in invented amplifiers, as data.
//!
//! In: a name. Out: a validated description. Every file under `amplifiers/` is listed here, and a test
//! checks that none is forgotten.

use crate::amplifier::{AmplifierSpec, SpecError};

macro_rules! built_in {
    ($($name:literal),* $(,)?) => {
        &[$(($name, include_str!(concat!("../amplifiers/", $name, ".toml")))),*]
    };
}

const BUILT_IN: &[(&str, &str)] = built_in![
    "asymmetric",
    "crossover",
    "dead",
    "folding",
    "honest",
    "hot",
    "limiting",
    "line",
    "noisy",
    "offset",
    "quartet",
    "sagging",
    "short",
    "soft",
    "starved",
    "switching",
];

/// Names of all built-in amplifiers, in alphabetical order.
pub fn names() -> impl Iterator<Item = &'static str> {
    BUILT_IN.iter().map(|(name, _)| *name)
}

/// The TOML text of a built-in amplifier.
pub fn text(name: &str) -> Option<&'static str> {
    BUILT_IN.iter().find(|(n, _)| *n == name).map(|(_, text)| *text)
}

/// A built-in amplifier.
///
/// # Errors
/// [`SpecError::Unknown`] for a name that does not exist; the other kinds if the file itself is faulty.
pub fn amplifier(name: &str) -> Result<AmplifierSpec, SpecError> {
    let text = text(name).ok_or_else(|| SpecError::Unknown {
        name: name.to_owned(),
        known: names().collect::<Vec<_>>().join(", "),
    })?;
    AmplifierSpec::from_toml(text)
}
