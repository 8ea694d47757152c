//! What a digitizer recorded, scaled to the amplifier's output.

/// One record of one amplifier output: voltage, and current if it was measured.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Capture {
    /// Samples per second, in Hz.
    pub fs_hz: f64,
    /// Output voltage, in V, one value per sample.
    pub volts: Vec<f64>,
    /// Output current, in A, positive out of the amplifier, taken at the same instants as `volts`.
    pub amps: Option<Vec<f64>>,
    /// Largest voltage the converter can show, in V at the output, or `None` if not known.
    pub volts_full_scale: Option<f64>,
    /// True if the voltage was put together from samples of which some touched the limits of their converters.
    pub volts_overrange: bool,
    /// Largest current the converter can show, in A at the output, or `None` if not known.
    pub amps_full_scale: Option<f64>,
}

impl Capture {
    /// Length of the record in s; `None` without samples or without a usable sample rate.
    pub fn duration_s(&self) -> Option<f64> {
        let usable = self.fs_hz.is_finite() && self.fs_hz > 0.0 && !self.volts.is_empty();
        usable.then(|| self.volts.len() as f64 / self.fs_hz)
    }

    /// True if either channel touched the limits of its converter: at least two samples within one
    /// millionth of full scale (one alone may be a legitimate peak). Common practice, no source.
    pub fn touches_full_scale(&self) -> bool {
        let amps = self.amps.as_deref().unwrap_or(&[]);
        self.volts_overrange
            || touches(&self.volts, self.volts_full_scale)
            || touches(amps, self.amps_full_scale)
    }
}

/// True if samples touched a converter's limits, as [`Capture::touches_full_scale`] tells it.
pub fn touches(samples: &[f64], full_scale: Option<f64>) -> bool {
    let Some(limit) = full_scale.filter(|limit| limit.is_finite() && *limit > 0.0) else {
        return false;
    };
    let limit = limit * (1.0 - 1e-6);
    samples.iter().filter(|sample| sample.abs() >= limit).take(2).count() == 2
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_samples_at_the_limit_are_an_overrange_and_one_is_not() {
        // Common practice, no source.
        let mut capture = Capture { fs_hz: 1e3, volts: vec![0.0, 10.0, 0.0, -9.9], ..Capture::default() };
        assert!(!capture.touches_full_scale(), "without a known full scale nothing can be told");
        capture.volts_full_scale = Some(10.0);
        assert!(!capture.touches_full_scale());
        capture.volts[3] = -10.0;
        assert!(capture.touches_full_scale());
    }

    #[test]
    fn the_current_channel_counts_too() {
        // Common practice, no source.
        let capture = Capture {
            fs_hz: 1e3,
            volts: vec![0.0; 3],
            amps: Some(vec![2.0, 2.0, 0.0]),
            volts_full_scale: Some(10.0),
            amps_full_scale: Some(2.0),
            ..Capture::default()
        };
        assert!(capture.touches_full_scale());
        assert_eq!(capture.duration_s(), Some(0.003));
    }
}
