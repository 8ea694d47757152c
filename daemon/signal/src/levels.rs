//! A spectrum as it is shown: the strongest line of each column, in dB, frequency on a log scale.

use crate::capture::Capture;
use crate::spectrum::{Spectrum, Window, power_spectrum};

/// Power spectrum of the voltage without its mean, through a window whose side lobes stay out of a picture.
pub fn voltage_spectrum(capture: &Capture) -> Spectrum {
    let mean = capture.volts.iter().sum::<f64>() / capture.volts.len().max(1) as f64;
    let volts: Vec<f64> = capture.volts.iter().map(|volts| volts - mean).collect();
    power_spectrum(&volts, capture.fs_hz, &Window::BlackmanHarris.samples(volts.len()))
}

/// Level of each of `columns` columns from `low_hz` to `high_hz` of a [`voltage_spectrum`], in dB re `reference_vrms`
/// (absent: re the strongest line); no lower than `floor_db`, `None` for a column without a number. A tone between two
/// lines reads low by up to 0.83 dB, the scalloping of the window (Harris 1978).
pub fn levels_db(
    spectrum: &Spectrum,
    (low_hz, high_hz): (f64, f64),
    columns: usize,
    reference_vrms: Option<f64>,
    floor_db: f64,
) -> Vec<Option<f64>> {
    let edge = |column: usize| low_hz * (high_hz / low_hz).powf(column as f64 / columns.max(1) as f64);
    // The window spreads a tone over several lines; its strongest holds 1/ENBW of its power at most.
    let enbw = Window::BlackmanHarris.enbw_bins();
    let largest = spectrum.power.iter().copied().fold(0.0, f64::max) * enbw;
    let reference = reference_vrms.map_or(largest, |vrms| vrms * vrms);
    let level = |column: usize| {
        let first = (edge(column) / spectrum.bin_hz).round() as usize;
        let end = ((edge(column + 1) / spectrum.bin_hz).round() as usize).max(first + 1);
        let part = spectrum.power.get(first..end.min(spectrum.power.len()))?;
        let most = part.iter().copied().fold(0.0, f64::max) * enbw;
        let db = 10.0 * (most / reference).log10();
        (!db.is_nan()).then(|| db.max(floor_db))
    };
    (0..columns).map(level).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_of_one_volt_stands_at_0_db_and_its_harmonic_where_it_is() {
        // Definition of the decibel: a hundredth is −40 dB.
        let wave = |n: i32| {
            let turn = std::f64::consts::TAU * f64::from(n) / 48.0;
            std::f64::consts::SQRT_2 * (turn.sin() + 0.01 * (3.0 * turn).sin())
        };
        let volts: Vec<f64> = (0..4800).map(wave).collect();
        let spectrum = voltage_spectrum(&Capture { fs_hz: 48_000.0, volts, ..Capture::default() });
        let at = |hz: f64, re| levels_db(&spectrum, (hz - 20.0, hz + 20.0), 1, re, -160.0)[0].unwrap();
        assert!(at(1000.0, Some(1.0)).abs() < 0.01 && (at(3000.0, Some(1.0)) + 40.0).abs() < 0.01);
        assert!((at(1000.0, Some(0.1)) - 20.0).abs() < 0.01 && at(1000.0, None).abs() < 1e-9);
        assert!(at(7000.0, Some(1.0)) < -90.0);
    }
}
