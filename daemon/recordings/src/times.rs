//! A column of times to a sample rate, if the times are evenly spaced.

use crate::error::RecordingError;

/// A column of times as it was printed.
pub(crate) struct Times<'a> {
    /// Times, in s.
    pub s: &'a [f64],
    /// Worst distance between neighbouring printable values, in s.
    pub resolution_s: f64,
    /// Line of each time, from 1.
    pub lines: &'a [u64],
}

impl Times<'_> {
    /// Samples per second, by a straight line through all times (least squares), so that rounding averages out.
    /// Refuses times of uneven spacing: each step may differ from the usual one by a thousandth, or by what
    /// rounding of the printed times explains, but never by half a step.
    pub fn rate_hz(&self) -> Result<f64, RecordingError> {
        let mut steps: Vec<f64> = self.s.windows(2).map(|pair| pair[1] - pair[0]).collect();
        if steps.is_empty() {
            return Err(RecordingError::OneLine { line: self.lines.first().copied().unwrap_or(1) });
        }
        let middle = steps.len() / 2;
        let usual_s = *steps.select_nth_unstable_by(middle, f64::total_cmp).1;
        let first = self.s[0];
        let largest = self.s.iter().fold(0.0_f64, |most, t| most.max(t.abs()));
        // Printed digits, or those a double can hold.
        let rounding_s = self.resolution_s.max(2.0 * f64::EPSILON * largest);
        let tolerance_s = (1e-3 * usual_s).max((1.05 * rounding_s).min(0.5 * usual_s));
        for (n, pair) in self.s.windows(2).enumerate() {
            let step_s = pair[1] - pair[0];
            if !(usual_s > 0.0 && (step_s - usual_s).abs() <= tolerance_s) {
                return Err(RecordingError::UnevenTime { line: self.lines[n + 1], step_s, usual_s });
            }
        }
        let count = self.s.len() as f64;
        let centre = (count - 1.0) / 2.0;
        let mean = self.s.iter().map(|t| t - first).sum::<f64>() / count;
        let (mut up, mut down) = (0.0, 0.0);
        for (n, t) in self.s.iter().enumerate() {
            let x = n as f64 - centre;
            up += x * (t - first - mean);
            down += x * x;
        }
        let step_s = up / down;
        let allowed_s = 1.05 * rounding_s + 0.01 * step_s;
        for (n, t) in self.s.iter().enumerate() {
            let off_s = t - first - mean - step_s * (n as f64 - centre);
            if !(off_s.abs() <= allowed_s) {
                return Err(RecordingError::DriftingTime { line: self.lines[n], off_s });
            }
        }
        Ok(1.0 / step_s)
    }
}

/// How finely a column of numbers was printed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Printed {
    finest: f64,
    digits: i32,
    largest: f64,
}

impl Default for Printed {
    fn default() -> Self {
        Self { finest: f64::INFINITY, digits: 0, largest: 0.0 }
    }
}

impl Printed {
    /// Takes note of one number as it stands.
    pub fn note(&mut self, text: &str, value: f64) {
        let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
        let decimals = mantissa.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        let exponent: i32 = exponent.parse().unwrap_or(0);
        let place = exponent.saturating_sub(i32::try_from(decimals).unwrap_or(i32::MAX));
        let digits = mantissa.chars().filter(char::is_ascii_digit).skip_while(|digit| *digit == '0').count();
        self.finest = self.finest.min(10_f64.powi(place));
        self.digits = self.digits.max(i32::try_from(digits).unwrap_or(i32::MAX));
        self.largest = self.largest.max(value.abs());
    }

    /// Worst distance between neighbouring values that could have been printed, whether a fixed number of
    /// decimals was printed or a fixed number of significant digits, with or without trailing zeros.
    pub fn resolution(&self) -> f64 {
        let magnitude = self.largest.log10().floor();
        let of_digits = 10_f64.powf(magnitude + 1.0 - f64::from(self.digits));
        if of_digits.is_finite() { self.finest.max(of_digits) } else { self.finest }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate(s: &[f64], resolution_s: f64) -> Result<f64, RecordingError> {
        let lines: Vec<u64> = (1..=s.len() as u64).collect();
        Times { s, resolution_s, lines: &lines }.rate_hz()
    }

    #[test]
    fn printed_digits_tell_the_resolution() {
        // Place value; no outside source.
        let columns: [(&[&str], f64); 5] = [
            (&["0", "0.001", "0.002"], 1e-3),
            (&["0.000", "0.500", "1.000"], 1e-3),
            (&["9.98e-3", "9.99e-3", "1.00e-2"], 1e-4),
            (&["0.998", "0.999", "1", "1.01"], 1e-2),
            (&["-10", "0", "10"], 1.0),
        ];
        for (column, expected) in columns {
            let mut printed = Printed::default();
            for text in column {
                printed.note(text, text.parse().unwrap());
            }
            assert!((printed.resolution() / expected - 1.0).abs() < 1e-9, "{column:?}: {printed:?}");
        }
    }

    #[test]
    fn rounded_times_average_out() {
        // 44.1 kHz printed in whole microseconds: steps of 22 and 23 µs. Least squares: slope error below
        // √12·σ/N^1.5 steps with σ = 0.29 µs (textbook formula, from memory).
        let s: Vec<f64> = (0..10_000).map(|n| (f64::from(n) / 44_100.0 * 1e6).round() * 1e-6).collect();
        let found = rate(&s, 1e-6).unwrap();
        assert!((found / 44_100.0 - 1.0).abs() < 1e-6, "{found}");
    }

    #[test]
    fn a_lost_sample_and_a_step_back_are_found_where_they_are() {
        // Project definition.
        let mut s: Vec<f64> = (0..1000).map(f64::from).collect();
        assert!((rate(&s, 1.0).unwrap() - 1.0).abs() < 1e-12);
        s.remove(500);
        assert!(matches!(rate(&s, 1.0), Err(RecordingError::UnevenTime { line: 501, .. })));
        s[500] = s[499] - 1.0;
        assert!(matches!(rate(&s, 1.0), Err(RecordingError::UnevenTime { line: 501, .. })));
        assert!(matches!(rate(&[1.0], 1.0), Err(RecordingError::OneLine { line: 1 })));
        assert!(matches!(rate(&[1.0, 1.0, 1.0], 1.0), Err(RecordingError::UnevenTime { .. })));
    }

    #[test]
    fn a_clock_that_drifts_slowly_is_refused() {
        // Each step within a thousandth of the usual one, all together 2.5 samples off an even clock.
        let s: Vec<f64> = (0..10_000).map(|n| f64::from(n) + 1e-7 * f64::from(n).powi(2)).collect();
        assert!(matches!(rate(&s, 1e-6), Err(RecordingError::DriftingTime { .. })));
    }
}
