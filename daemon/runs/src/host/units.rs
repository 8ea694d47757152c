//! Units as names carry them: the last word of a name, and what a unit is called where one is told.

/// The last word of a name, and the unit it stands for.
pub const SUFFIXES: [(&str, &str); 18] = [
    ("v", "V"),
    ("vrms", "V rms"),
    ("vpk", "V peak"),
    ("a", "A"),
    ("arms", "A rms"),
    ("apk", "A peak"),
    ("w", "W"),
    ("va", "VA"),
    ("var", "var"),
    ("ohm", "ohm"),
    ("hz", "Hz"),
    ("s", "s"),
    ("ms", "ms"),
    ("c", "°C"),
    ("pct", "%"),
    ("db", "dB"),
    ("dbv", "dBV"),
    ("deg", "°"),
];

/// The unit that a name carries; none for a name without one.
pub fn unit_of(name: &str) -> &'static str {
    let last = match name.rsplit_once('_') {
        Some((_, last)) => last,
        // A name of one letter is a name.
        None if name.len() > 1 => name,
        None => return "",
    };
    SUFFIXES.iter().find(|(suffix, _)| *suffix == last).map_or("", |(_, unit)| unit)
}

/// The unit of a field, which may have a further word after it: `load_ohm_measured`, `supply_v_set`.
pub fn unit_in(name: &str) -> &'static str {
    let mut name = name;
    loop {
        match (unit_of(name), name.rsplit_once('_')) {
            ("", Some((before, _))) => name = before,
            (unit, _) => return unit,
        }
    }
}

/// The ending that a name of something in a unit has, with its underline; none for a unit that no name carries.
pub fn suffix_of(unit: &str) -> Option<String> {
    SUFFIXES.iter().find(|(_, known)| *known == unit).map(|(suffix, _)| format!("_{suffix}"))
}

/// Every unit there is, for messages.
pub fn units() -> String {
    SUFFIXES.map(|(_, unit)| format!("\"{unit}\"")).join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The project's own vocabulary.
    #[test]
    fn a_name_carries_its_unit_last() {
        for (name, unit) in [
            ("low_v", "V"),
            ("level_vrms", "V rms"),
            ("hz", "Hz"),
            ("below_db", "dB"),
            ("repeats", ""),
            ("a", ""),
            ("v", ""),
            ("heatsink_c", "°C"),
        ] {
            assert_eq!(unit_of(name), unit, "{name}");
        }
        assert_eq!(unit_in("load_ohm_measured"), "ohm");
        assert_eq!(unit_in("crest_factor"), "");
        assert_eq!(suffix_of("V rms").unwrap(), "_vrms");
        assert_eq!(suffix_of("volts"), None);
    }
}
