//! A harmonic series at every sample of a record, by a table of cubic pieces over one cycle.

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use crate::spectrum::{inverse_plan, run_inverse};

/// Largest table; beyond, a little accuracy is given up.
const PIECES_MAX: usize = 32_768;
/// Samples whose phases are counted from one start, few enough that they lose no digits.
const BLOCK: usize = 1024;
/// 1.5·2⁵²: numbers added to it lose their fraction.
const ROUNDER: f64 = 6_755_399_441_055_744.0;
/// Error of the series, as a share of its fundamental's peak.
const ERROR: f64 = 3e-10;

/// Fills `residual` with `samples` less the series of `coefficients` (from dc, half the peak, phase at the record's
/// middle).
///
/// Between two points a cubic with the right values and slopes is off by h⁴/384 of the fourth derivative at most
/// (textbook error of Hermite interpolation).
pub(crate) fn subtract_series(
    samples: &[f64],
    coefficients: &[Complex<f64>],
    cycles_per_sample: f64,
    residual: &mut Vec<f64>,
) {
    let pieces = table(coefficients);
    // The table's size is a power of two.
    let (count, mask) = (pieces.len() as f64, pieces.len() - 1);
    let middle = (samples.len() as f64 - 1.0) / 2.0;
    residual.resize(samples.len(), 0.0);
    let step = cycles_per_sample * count;
    for (block, (residual, samples)) in residual.chunks_mut(BLOCK).zip(samples.chunks(BLOCK)).enumerate() {
        let turns = cycles_per_sample * ((block * BLOCK) as f64 - middle);
        let start = (turns - turns.floor()) * count;
        for (n, (residual, sample)) in residual.iter_mut().zip(samples).enumerate() {
            let place = start + step * n as i32 as f64;
            // Rounds to a whole number that then stands in the lowest bits (IEEE 754 binary64): far quicker than a cast.
            let rounded = (place - 0.5) + ROUNDER;
            let s = place - (rounded - ROUNDER);
            let [a, b, c, d] = pieces[rounded.to_bits() as usize & mask];
            *residual = sample - (a + s * (b + s * (c + s * d)));
        }
    }
}

/// Coefficients of the cubic in each piece of the cycle.
fn table(coefficients: &[Complex<f64>]) -> Vec<[f64; 4]> {
    let peak = coefficients.get(1).map_or(0.0, |c| c.norm());
    // Parts of no common phase add up by their squares.
    let fourth = |(k, c): (usize, &Complex<f64>)| c.norm_sqr() * (k as f64).powi(8);
    let fourth: f64 = coefficients.iter().enumerate().map(fourth).sum::<f64>().sqrt();
    let step = (ERROR * 384.0 * peak / fourth.max(f64::MIN_POSITIVE)).powf(0.25);
    let wanted = (TAU / step).min(PIECES_MAX as f64) as usize;
    let size = wanted.max(2 * coefficients.len() + 2).max(16).next_power_of_two();
    let plan = inverse_plan(size);
    let mut lines = plan.make_input_vec();
    let (mut value, mut slope) = (plan.make_output_vec(), plan.make_output_vec());
    for (line, c) in lines.iter_mut().zip(coefficients) {
        *line = *c;
    }
    run_inverse(plan.as_ref(), &mut lines, &mut value);
    lines.fill(Complex::new(0.0, 0.0));
    // Slope per piece.
    let unit = TAU / size as f64;
    for (k, (line, c)) in lines.iter_mut().zip(coefficients).enumerate() {
        *line = c * Complex::new(0.0, k as f64 * unit);
    }
    run_inverse(plan.as_ref(), &mut lines, &mut slope);
    (0..size)
        .map(|n| {
            let next = (n + 1) % size;
            let (y0, y1, m0, m1) = (value[n], value[next], slope[n], slope[next]);
            [y0, m0, 3.0 * (y1 - y0) - 2.0 * m0 - m1, 2.0 * (y0 - y1) + m0 + m1]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_series_equals_the_slow_obvious_one() {
        // Definition of the Fourier series, evaluated directly.
        let c: Vec<_> =
            (0..40).map(|k| Complex::from_polar(1.0 / (1.0 + f64::from(k)).powi(2), f64::from(k))).collect();
        let c: Vec<_> =
            c.iter().enumerate().map(|(k, c)| if k == 0 { Complex::new(0.7, 0.0) } else { *c }).collect();
        for (len, f) in [(1001, 0.010_37), (1000, 0.25 / 40.0)] {
            let mut residual = Vec::new();
            subtract_series(&vec![0.0; len], &c, f, &mut residual);
            for (n, found) in residual.iter().enumerate() {
                let t = n as f64 - (len as f64 - 1.0) / 2.0;
                let part = |(k, c): (usize, &Complex<f64>)| {
                    let factor = if k == 0 { 1.0 } else { 2.0 };
                    factor * (c * Complex::from_polar(1.0, TAU * k as f64 * f * t)).re
                };
                let slow: f64 = c.iter().enumerate().map(part).sum();
                assert!((found + slow).abs() < 1e-9, "sample {n}: {found} against {slow}");
            }
        }
    }
}
