//! Two tones and the products between them, found together by weighted least squares.
//!
//! The model is x\[n\] = Re Σ C_k·exp(jω_k·t\[n\]), t from the record's middle, over the products ω = p·ω1 + q·ω2.
//! The weights are symmetric about the middle, so cosines and sines part into two real systems, whose entries
//! are the weights' transform at sums and differences of frequencies, known in closed form.

use std::f64::consts::TAU;

use nalgebra::{DMatrix, DVector};
use realfft::num_complex::Complex;

use crate::harmonics::{Weights, rotate, window_transform};

/// Lines that two products, or a product and dc or half the sample rate, must lie apart to be told apart.
const APART_LINES: f64 = 2.5;

/// Multiples of the lower and the higher tone that make up a product's frequency.
pub(crate) type Orders = (i32, i32);

/// What was found in the record.
pub(crate) struct TwoToneFit {
    /// Frequencies of the tones, in cycles per sample.
    pub tones: [f64; 2],
    /// Orders, frequency in cycles per sample and complex peak amplitude of each product, dc first. A product
    /// whose orders sum to a negative frequency stands here conjugated at the positive one.
    pub parts: Vec<(Orders, f64, Complex<f64>)>,
    /// What the model leaves over.
    pub residual: Vec<f64>,
}

impl TwoToneFit {
    /// Complex peak amplitude of a product at its positive frequency; `None` if it is not in the model.
    pub fn part(&self, orders: Orders) -> Option<Complex<f64>> {
        let opposite = (-orders.0, -orders.1);
        let same = |part: &&(Orders, f64, Complex<f64>)| part.0 == orders || part.0 == opposite;
        self.parts.iter().find(same).map(|part| part.2)
    }
}

/// Fits dc, both tones and the products of `orders`, and moves the tones' frequencies until the residual holds
/// nothing that a change of either would explain. `None` if the record can't tell the products apart.
pub(crate) fn fit(
    samples: &[f64],
    weights: &Weights,
    start: [f64; 2],
    orders: &[Orders],
) -> Option<TwoToneFit> {
    const ROUNDS_MAX: usize = 8;
    let len = samples.len();
    let middle = (len as f64 - 1.0) / 2.0;
    let spread: f64 = weights.fit.iter().enumerate().map(|(n, w)| w * (n as f64 - middle).powi(2)).sum();
    let mut tones = start;
    let mut round = 0;
    loop {
        round += 1;
        let kept = resolvable(tones, len, orders);
        let found = solve(samples, weights, tones, kept)?;
        let change = [(1, 0), (0, 1)].map(|tone| {
            let Some((_, hz, c)) = found.parts.iter().find(|part| part.0 == tone) else {
                return f64::NAN;
            };
            let mut slope = Complex::new(0.0, 0.0);
            rotate(*hz, len, |n, turn| {
                slope += turn * (weights.fit[n] * (n as f64 - middle) * found.residual[n])
            });
            // Amplitudes here are peaks, twice the coefficient of the one-tone fit's formula.
            2.0 * (c.conj() * slope).im / (c.norm_sqr() * spread) / TAU
        });
        let lines = change.map(|change| change.abs() * len as f64);
        // Beyond a line of the spectrum the linear step means nothing: keep what the search found.
        let usable = lines.iter().all(|lines| *lines <= 0.5);
        if !usable || round >= ROUNDS_MAX || lines.iter().all(|lines| lines * TAU < 1e-9) {
            return Some(found);
        }
        tones = [tones[0] + change[0], tones[1] + change[1]];
    }
}

/// Dc and the products that stand clear of one another, of dc and of half the sample rate: of two that fall
/// together, the one named first. Products whose sum is negative are mirrored.
fn resolvable(tones: [f64; 2], len: usize, orders: &[Orders]) -> Vec<(Orders, f64)> {
    let apart = APART_LINES / len as f64;
    let mut kept = vec![((0, 0), 0.0)];
    for (low, high) in orders {
        let frequency = f64::from(*low) * tones[0] + f64::from(*high) * tones[1];
        let (frequency, orders) =
            if frequency < 0.0 { (-frequency, (-low, -high)) } else { (frequency, (*low, *high)) };
        let clear = kept.iter().all(|(_, other)| (frequency - other).abs() >= apart);
        if clear && frequency <= 0.5 - apart {
            kept.push((orders, frequency));
        }
    }
    kept
}

fn solve(
    samples: &[f64],
    weights: &Weights,
    tones: [f64; 2],
    kept: Vec<(Orders, f64)>,
) -> Option<TwoToneFit> {
    let len = samples.len();
    let transform = |cycles: f64| window_transform(TAU * cycles, len);
    let total = transform(0.0);
    let entry = |row: usize, column: usize, sign: f64| {
        let (a, b) = (kept[row].1, kept[column].1);
        0.5 * (transform((a - b).abs()) + sign * transform(a + b)) / total
    };
    let sums: Vec<Complex<f64>> = kept
        .iter()
        .map(|(_, frequency)| {
            let mut sum = Complex::new(0.0, 0.0);
            rotate(*frequency, len, |n, turn| sum += turn * (weights.fit[n] * samples[n]));
            sum / total
        })
        .collect();
    let count = kept.len();
    let cosines = DMatrix::from_fn(count, count, |row, column| entry(row, column, 1.0));
    let cosines = cosines.cholesky()?.solve(&DVector::from_fn(count, |row, _| sums[row].re));
    // Dc has no sine.
    let sines = DMatrix::from_fn(count - 1, count - 1, |row, column| entry(row + 1, column + 1, -1.0));
    let sines = sines.cholesky()?.solve(&DVector::from_fn(count - 1, |row, _| sums[row + 1].im));
    let mut parts = Vec::with_capacity(count);
    let mut residual = samples.to_vec();
    for (index, (orders, frequency)) in kept.into_iter().enumerate() {
        let amplitude = Complex::new(cosines[index], if index == 0 { 0.0 } else { sines[index - 1] });
        rotate(frequency, len, |n, turn| residual[n] -= (amplitude * turn.conj()).re);
        parts.push((orders, frequency, amplitude));
    }
    Some(TwoToneFit { tones, parts, residual })
}
