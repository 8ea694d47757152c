//! Numbers as people read them.

/// A figure with so many significant digits, without exponent or needless zeros at the end; "–" when it is no number.
#[must_use]
pub fn significant(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return "–".into();
    }
    if value == 0.0 {
        return "0".into();
    }
    let places = digits as i32 - 1 - value.abs().log10().floor() as i32;
    let text = if places > 0 {
        format!("{value:.*}", places.min(15) as usize)
    } else {
        let unit = 10f64.powi(-places);
        format!("{:.0}", (value / unit).round() * unit)
    };
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// A value and its expanded uncertainty, both to two significant digits of the uncertainty (JCGM 100:2008, 7.2.6).
#[must_use]
pub fn with_u(value: f64, u: f64) -> (String, String) {
    let digits =
        if u > 0.0 && u.is_finite() { (1.0 - u.log10().floor()).clamp(0.0, 6.0) as usize } else { 2 };
    (format!("{value:.digits$}"), format!("{u:.digits$}"))
}

/// A time in words: "31.2 s", "4.0 min", "2.5 h".
#[must_use]
pub fn duration(seconds: f64) -> String {
    match seconds {
        s if !s.is_finite() => "unknown length".into(),
        s if s < 120.0 => format!("{s:.1} s"),
        s if s < 7200.0 => format!("{:.1} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_have_the_digits_asked_for() {
        // Definition of significant digits.
        for (value, digits, text) in [
            (115.60349, 4, "115.6"),
            (0.004_535_8, 2, "0.0045"),
            (1523.4, 2, "1500"),
            (2.0, 3, "2"),
            (-0.333_3, 2, "-0.33"),
            (0.0, 3, "0"),
            (f64::NAN, 3, "–"),
        ] {
            assert_eq!(significant(value, digits), text);
        }
    }

    /// JCGM 100:2008, 7.2.6: an uncertainty is stated to at most two significant digits, and its value to the same place.
    #[test]
    fn an_uncertainty_has_two_digits_and_its_value_as_many_places() {
        for (value, u, texts) in [
            (115.595_994, 0.424_524, ("115.60", "0.42")),
            (222.469, 1.194, ("222.5", "1.2")),
            (5.123_456, 0.001_234, ("5.1235", "0.0012")),
            (1500.0, 12.3, ("1500", "12")),
        ] {
            assert_eq!(with_u(value, u), (texts.0.to_string(), texts.1.to_string()));
        }
    }
}
