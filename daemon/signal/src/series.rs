//! The voltage's harmonics against the phase of its own fundamental: what folding the record by that phase would show,
//! without the record's noise.

use realfft::num_complex::Complex;
use std::f64::consts::FRAC_PI_2;

/// Most harmonics kept: enough for any bend that a capture resolves.
const ORDERS_MAX: usize = 128;

/// In-phase and quadrature part of each harmonic, V peak, from dc on: Σ p·sin kθ + q·cos kθ with θ the phase of the
/// fundamental, whose own quadrature part is zero. A delay between input and output drops out.
pub(crate) fn series(coefficients: &[Complex<f64>]) -> Vec<(f64, f64)> {
    let Some(fundamental) = coefficients.get(1).filter(|c| c.norm() > 0.0) else { return Vec::new() };
    let turn = -(fundamental.arg() + FRAC_PI_2);
    let parts = coefficients.iter().take(ORDERS_MAX + 1).enumerate().map(|(order, c)| {
        let turned = c * Complex::from_polar(1.0, turn * order as f64);
        match order {
            0 => (0.0, turned.re),
            1 => (-2.0 * turned.im, 0.0),
            _ => (-2.0 * turned.im, 2.0 * turned.re),
        }
    });
    parts.collect()
}

#[cfg(test)]
mod tests {
    use crate::{Capture, Settings, read};
    use std::f64::consts::TAU;

    #[test]
    fn a_delayed_wave_shows_its_own_shape() {
        // sin θ + 0.1·sin 3θ + 0.05·cos 2θ + 0.2 by construction: what was put in is what must come out.
        let (fs_hz, hz, delay) = (48_000.0, 997.3, 1.234);
        let wave = |n: usize| {
            let theta = TAU * hz * n as f64 / fs_hz + delay;
            theta.sin() + 0.1 * (3.0 * theta).sin() + 0.05 * (2.0 * theta).cos() + 0.2
        };
        let capture = Capture { fs_hz, volts: (0..9_600).map(wave).collect(), ..Capture::default() };
        let series = read(&capture, &Settings::default()).series;
        let wanted = [(0.0, 0.2), (1.0, 0.0), (0.0, 0.05), (0.1, 0.0), (0.0, 0.0)];
        for (order, (p, q)) in wanted.into_iter().enumerate() {
            assert!(
                (series[order].0 - p).abs() < 1e-6 && (series[order].1 - q).abs() < 1e-6,
                "harmonic {order}"
            );
        }
    }
}
