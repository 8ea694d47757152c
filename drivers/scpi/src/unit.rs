//! Suffixes: a multiplier and a unit after a number (IEEE 488.2 7.7.3, table 7-2).

/// The longest suffix of a program message.
pub const SUFFIX_MAX: usize = 12;

/// Multipliers as powers of ten.
pub const MULTIPLIERS: &[(&str, i32)] = &[
    ("EX", 18),
    ("PE", 15),
    ("T", 12),
    ("G", 9),
    ("MA", 6),
    ("K", 3),
    ("M", -3),
    ("U", -6),
    ("N", -9),
    ("P", -12),
    ("F", -15),
    ("A", -18),
];

/// The power of ten that `suffix` puts on a number whose parameter is in `unit` (`"V"`, `"OHM"`; empty when
/// the parameter has none). An empty suffix is the unit itself. `MHZ` and `MOHM` are mega, by the standard's
/// exception; `MA` where amperes are wanted is milliampere. `None` when the suffix does not fit the unit.
#[must_use]
pub fn power_of_ten(suffix: &str, unit: &str) -> Option<i32> {
    if suffix.is_empty() || suffix.eq_ignore_ascii_case(unit) {
        return Some(0);
    }
    if unit.is_empty() {
        return None;
    }
    let split = suffix.len().checked_sub(unit.len())?;
    let (multiplier, rest) = suffix.split_at_checked(split)?;
    if !rest.eq_ignore_ascii_case(unit) {
        return None;
    }
    let mega_by_m = unit.eq_ignore_ascii_case("HZ") || unit.eq_ignore_ascii_case("OHM");
    if mega_by_m && multiplier.eq_ignore_ascii_case("M") {
        return Some(6);
    }
    MULTIPLIERS.iter().find(|(name, _)| name.eq_ignore_ascii_case(multiplier)).map(|(_, power)| *power)
}

/// `value` times ten to `power`. Dividing for negative powers keeps `1.2 mV` at exactly 0.0012.
#[must_use]
pub fn scale(value: f64, power: i32) -> f64 {
    if power < 0 { value / 10f64.powi(-power) } else { value * 10f64.powi(power) }
}
