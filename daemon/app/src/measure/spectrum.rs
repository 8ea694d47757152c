//! The spectrum as it is shown: strongest line per column, in dB of the fundamental, frequency on a log scale.

use wattproof_signal::spectrum::Spectrum;
use wattproof_signal::{Settings, levels};

/// Lowest level shown, in dB of the fundamental.
pub const FLOOR_DB: f64 = -160.0;

/// Lowest and highest frequency shown, in Hz: an octave around the band, as far as the record reaches.
pub fn span_hz(spectrum: &Spectrum, settings: &Settings) -> Option<(f64, f64)> {
    let nyquist = spectrum.bin_hz * spectrum.power.len().saturating_sub(1) as f64;
    let low = (settings.band_hz.0 / 2.0).max(spectrum.bin_hz);
    let high = (settings.band_hz.1 * 2.0).min(nyquist);
    (low.is_finite() && low > 0.0 && high > low).then_some((low, high))
}

/// Level of each of `columns` columns, in dB of the fundamental; `None` for a column without a number.
pub fn levels_db(
    spectrum: &Spectrum,
    span_hz: (f64, f64),
    columns: usize,
    fundamental_vrms: Option<f64>,
) -> Vec<Option<f64>> {
    levels::levels_db(spectrum, span_hz, columns, fundamental_vrms, FLOOR_DB)
}

/// The spectrum in characters: `rows` lines, each with its level at the left, and the frequencies below.
pub fn sketch(spectrum: &Spectrum, settings: &Settings, fundamental_vrms: Option<f64>) -> Option<String> {
    const COLUMNS: usize = 66;
    const ROWS: usize = 8;
    const EIGHTHS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let (low, high) = span_hz(spectrum, settings)?;
    let levels = levels_db(spectrum, (low, high), COLUMNS, fundamental_vrms);
    let mut text = String::new();
    for row in 0..ROWS {
        let step = -FLOOR_DB / ROWS as f64;
        let bottom = -(row as f64 + 1.0) * step;
        text.push_str(&format!("{:>6.0} │", bottom + step));
        for level in &levels {
            let filled = level.map_or(0.0, |db| ((db - bottom) / step).clamp(0.0, 1.0));
            text.push(EIGHTHS[(filled * 8.0).round() as usize]);
        }
        while text.ends_with(' ') {
            text.pop();
        }
        text.push('\n');
    }
    text.push_str(&format!("    dB └{}\n", "─".repeat(COLUMNS)));
    let place = |hz: f64| ((hz / low).ln() / (high / low).ln() * COLUMNS as f64).round() as usize;
    let mut scale = String::new();
    for decade in -1..7 {
        let hz = 10_f64.powi(decade);
        if hz >= low && hz < high {
            let column = place(hz) + 8;
            if column > scale.chars().count() {
                scale.push_str(&" ".repeat(column - scale.chars().count()));
                scale.push_str(&hz_label(hz));
            }
        }
    }
    text.push_str(&scale);
    Some(text)
}

/// A frequency in Hz or kHz, short.
pub fn hz_label(hz: f64) -> String {
    if hz >= 1000.0 { format!("{} kHz", hz / 1000.0) } else { format!("{hz} Hz") }
}

#[cfg(test)]
mod tests {
    use wattproof_signal::Capture;
    use wattproof_signal::levels::voltage_spectrum;

    use super::*;

    #[test]
    fn a_tone_stands_at_0_db_and_its_harmonic_where_it_is() {
        // Definition of the decibel: a hundredth is −40 dB. Scalloping of this window: 0.83 dB (Harris 1978).
        let wave = |n: i32| {
            let turn = std::f64::consts::TAU * f64::from(n) / 48.0;
            turn.sin() + 0.01 * (3.0 * turn).sin()
        };
        let volts: Vec<f64> = (0..4800).map(wave).collect();
        let capture = Capture { fs_hz: 48_000.0, volts, ..Capture::default() };
        let spectrum = voltage_spectrum(&capture);
        let at = |hz: f64| levels_db(&spectrum, (hz - 20.0, hz + 20.0), 1, Some(0.5_f64.sqrt()))[0].unwrap();
        assert!(at(1000.0).abs() < 0.01 && (at(3000.0) + 40.0).abs() < 0.01, "{} {}", at(1000.0), at(3000.0));
        assert!(at(7000.0) < -90.0);
        let sketch = sketch(&spectrum, &Settings::default(), Some(0.5_f64.sqrt())).unwrap();
        assert_eq!(sketch.lines().count(), 10);
        assert!(sketch.lines().all(|line| line.chars().count() <= 80), "{sketch}");
        assert!(sketch.contains("1 kHz") && sketch.contains('█'));
    }
}
