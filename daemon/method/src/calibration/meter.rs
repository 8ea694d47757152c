use serde::{Deserialize, Serialize};

/// What a reference meter is good for: within ± (`pct_of_reading` % of the reading + `fixed`), all values alike likely
/// (JCGM 100:2008, 4.3.7).
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Meter {
    /// Share of the reading, %.
    pub pct_of_reading: f64,
    /// What comes on top at any reading (counts, or a share of its range), V or A.
    pub fixed: f64,
}

impl Meter {
    /// Half-width at a reading.
    #[must_use]
    pub fn half_width(&self, reading: f64) -> f64 {
        self.pct_of_reading / 100.0 * reading.abs() + self.fixed
    }

    /// From what a person types: `0.05%+0.003`, `0.05%` or `0.003`.
    ///
    /// # Errors
    /// What is wrong and how it is typed.
    pub fn parse(text: &str) -> Result<Self, String> {
        let how = || {
            format!(
                "\"{text}\" is no accuracy: type it as 0.05%+0.003 (% of reading, then volts or amperes at any reading)"
            )
        };
        let number =
            |part: &str| part.trim().parse::<f64>().ok().filter(|value| value.is_finite() && *value >= 0.0);
        let mut meter = Meter::default();
        for part in text.split('+') {
            match part.trim().strip_suffix('%') {
                Some(pct) => meter.pct_of_reading += number(pct).ok_or_else(how)?,
                None => meter.fixed += number(part).ok_or_else(how)?,
            }
        }
        // A meter without any error would make an uncertainty of nothing.
        (meter.pct_of_reading > 0.0 || meter.fixed > 0.0).then_some(meter).ok_or_else(how)
    }
}

/// A reading as it was typed, and half of its last digit.
#[must_use]
pub(super) fn half_digit(digit: f64) -> f64 {
    digit.abs() / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_accuracy_is_read_as_it_is_typed() {
        // Project definition.
        assert_eq!(Meter::parse("0.05%+0.003"), Ok(Meter { pct_of_reading: 0.05, fixed: 0.003 }));
        assert_eq!(Meter::parse(" 0.1 % "), Ok(Meter { pct_of_reading: 0.1, fixed: 0.0 }));
        assert_eq!(Meter::parse("0.01 + 0.02%"), Ok(Meter { pct_of_reading: 0.02, fixed: 0.01 }));
        for text in ["", "0%", "-1%", "nan%", "0,05%", "0.05%+x", "5 counts"] {
            assert!(Meter::parse(text).is_err(), "{text}");
        }
        assert!((Meter { pct_of_reading: 0.1, fixed: 0.01 }.half_width(-20.0) - 0.03).abs() < 1e-15);
    }
}
