//! Numbers with their units as they are said in the trade: 3.1 mV, not 0.0031 V.

/// Units that take a prefix; decibels, percent and degrees do not.
const PREFIXED: [&str; 6] = ["V", "V rms", "A", "A rms", "W", "ohm"];

/// A value in its unit, to so many places as its uncertainty leaves (JCGM 100:2008, 7.2.6: two digits of that), as
/// "3.10 mV ± 0.10 mV". Without an uncertainty four digits are shown.
#[must_use]
pub fn figure(value: f64, expanded_u: Option<f64>, unit: &str) -> String {
    let (scale, prefix) = scale(value.abs().max(expanded_u.unwrap_or(0.0)), unit);
    let unit = if unit.is_empty() { String::new() } else { format!(" {prefix}{unit}") };
    let value = value * scale;
    match expanded_u.map(|u| u * scale).filter(|u| *u > 0.0 && u.is_finite()) {
        Some(u) => {
            let places = places(u, 2);
            let value = unsigned_zero(format!("{value:.places$}"));
            format!("{value}{unit} ± {u:.places$}{unit}")
        }
        None => format!("{}{unit}", plain(value)),
    }
}

/// The same for a table, with the unit once: "3.10 ± 0.10 mV".
#[must_use]
pub fn compact(value: f64, expanded_u: Option<f64>, unit: &str) -> String {
    let text = figure(value, expanded_u, unit);
    match text.split_once(" ± ") {
        Some((value, u)) => {
            format!("{} ± {u}", value.split(' ').next().unwrap_or(value))
        }
        None => text,
    }
}

fn scale(size: f64, unit: &str) -> (f64, &'static str) {
    match size {
        _ if !PREFIXED.contains(&unit) => (1.0, ""),
        size if size >= 0.1 || size == 0.0 || !size.is_finite() => (1.0, ""),
        size if size >= 1e-4 => (1e3, "m"),
        _ => (1e6, "µ"),
    }
}

/// Without the sign of what rounds to nothing.
fn unsigned_zero(text: String) -> String {
    match text.strip_prefix('-') {
        Some(rest) if !rest.contains(|digit: char| ('1'..='9').contains(&digit)) => rest.to_string(),
        _ => text,
    }
}

/// Decimals that show so many significant digits.
fn places(value: f64, digits: i32) -> usize {
    let places = f64::from(digits) - 1.0 - value.abs().log10().floor();
    places.clamp(0.0, 9.0) as usize
}

/// Four significant digits, without needless zeros.
fn plain(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let text = format!("{value:.*}", places(value, 4));
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, 7.2.6: two digits of the uncertainty, and the value to the same place. Prefixes of the SI Brochure.
    #[test]
    fn figures_are_said_as_in_the_trade() {
        for (value, u, unit, text) in [
            (0.0031, Some(0.0001), "V rms", "3.10 mV rms ± 0.10 mV rms"),
            (0.001, None, "V rms", "1 mV rms"),
            (0.35, Some(0.0041), "V", "0.3500 V ± 0.0041 V"),
            (-0.000_05, Some(0.000_02), "V", "-50 µV ± 20 µV"),
            (1.2, Some(0.012), "A", "1.200 A ± 0.012 A"),
            (0.01, Some(0.001), "%", "0.0100 % ± 0.0010 %"),
            (29.98, Some(0.0), "dB", "29.98 dB"),
            (0.0, None, "V", "0 V"),
            (-0.0001, Some(0.014), "dB", "0.000 dB ± 0.014 dB"),
        ] {
            assert_eq!(figure(value, u, unit), text);
        }
        assert_eq!(compact(0.0031, Some(0.0001), "V rms"), "3.10 ± 0.10 mV rms");
        assert_eq!(compact(0.98, Some(0.05), ""), "0.980 ± 0.050");
    }
}
