//! Temperatures that a bench watches beside the heatsink's: which instrument tells them, and how far they may go.

use std::ops::Range;

use serde::{Deserialize, Serialize};
use toml::de::DeTable;
use wattproof_guard::FURTHER_MAX;
use wattproof_instruments::Role;

/// What a temperature is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Watches {
    /// Another heatsink of the amplifier, or another place on it.
    Heatsink,
    /// The load.
    Load,
    /// The supply.
    Supply,
    /// The room.
    Ambient,
}

/// One `[[temperature]]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TemperaturePlace {
    /// What it is called in messages and in the record.
    pub name: String,
    /// Which instrument of the bench tells it: its dialect has the operation `measure_c`.
    pub role: Role,
    /// Input of that instrument, from 1.
    #[serde(default = "first")]
    pub input: u32,
    /// What it is of.
    pub watches: Watches,
    /// Limit, °C; absent: it is recorded and never trips.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_c: Option<f64>,
}

fn first() -> u32 {
    1
}

/// Where a bench file still names the sensor in the air of the room as it was done of old, and what to write instead.
pub(crate) fn of_old(text: &str) -> Option<(Option<Range<usize>>, String)> {
    let table = DeTable::parse(text).ok()?;
    let thermometer = table.get_ref().get("thermometer")?.get_ref().as_table()?;
    let (key, value) = thermometer.iter().find(|(key, _)| key.get_ref() == "ambient_channel")?;
    let input = value.get_ref().as_integer().map_or("2", |input| input.as_str());
    let what = format!(
        "ambient_channel is no longer a key of [thermometer]: remove it, and write a table [[temperature]] with name = \"room\", role = \"thermometer\", input = {input} and watches = \"ambient\" in its place"
    );
    Some((Some(key.span()), what))
}

/// What contradicts itself, with its key; `has_load` is whether any instrument is the load.
pub(crate) fn complaint(places: &[TemperaturePlace], has_load: bool) -> Option<(&'static str, String)> {
    if places.len() > FURTHER_MAX {
        let what = format!("{} [[temperature]] are more than {FURTHER_MAX}: leave some out", places.len());
        return Some(("name", what));
    }
    for (index, place) in places.iter().enumerate() {
        if place.name.trim().is_empty() || places.iter().take(index).any(|other| other.name == place.name) {
            let what = format!("name = \"{}\": every [[temperature]] needs a name of its own", place.name);
            return Some(("name", what));
        }
        if let Some(limit_c) = place.limit_c.filter(|c| !(c.is_finite() && *c > 0.0)) {
            let what =
                format!("limit_c = {limit_c} of {} must be a finite number greater than zero", place.name);
            return Some(("limit_c", what));
        }
        if place.role == Role::Load && !has_load {
            let what =
                format!("role = \"load\" of {}, but the load is resistors that nobody asks", place.name);
            return Some(("role", what));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One way to name a sensor: the other is told where it stands, with what to write instead.
    #[test]
    fn an_ambient_channel_of_old_is_refused_with_its_place() {
        let text = "name = \"b\"\n[thermometer]\nchannel = 1\n  ambient_channel = 3\n";
        let (span, what) = of_old(text).unwrap();
        assert_eq!(crate::toml_place(std::path::Path::new("b.toml"), text, span), "b.toml:4:3");
        assert!(
            what.contains("[[temperature]]") && what.contains("input = 3 and watches = \"ambient\""),
            "{what}"
        );
        assert_eq!(of_old("[thermometer]\nchannel = 1\n"), None);
    }

    #[test]
    fn what_contradicts_itself_is_told_with_its_key() {
        let place = |text: &str| -> TemperaturePlace {
            toml::from_str(&format!("role = \"load\"\nwatches = \"load\"\n{text}")).unwrap()
        };
        let (one, two) = (place("name = \"a\"\nlimit_c = 90.0"), place("name = \"b\""));
        assert_eq!((one.input, two.limit_c), (1, None));
        let key = |places: &[TemperaturePlace], has_load| complaint(places, has_load).map(|(key, _)| key);
        assert_eq!(key(&[one.clone(), two.clone()], true), None);
        assert_eq!(key(&[one.clone(), one.clone()], true), Some("name"));
        assert_eq!(key(std::slice::from_ref(&two), false), Some("role"));
        for limit_c in ["nan", "inf", "0.0", "-5.0"] {
            let wrong = place(&format!("name = \"c\"\nlimit_c = {limit_c}"));
            assert_eq!(key(&[wrong], true), Some("limit_c"), "{limit_c}");
        }
        let many: Vec<_> =
            (0..=FURTHER_MAX).map(|n| TemperaturePlace { name: n.to_string(), ..two.clone() }).collect();
        assert_eq!(key(&many, true), Some("name"));
    }
}
