//! Dc and every harmonic of one tone, found together by weighted least squares.
//!
//! The model is x\[n\] = Σ c_k·exp(jkθ\[n\]), k = −K…K, with K as high as the record can hold, so that no strong
//! harmonic outside the band leaks into a weak one inside. Its normal equations form a Toeplitz matrix whose
//! entries are the transform of the weights at differences of harmonics; with five cycles or more that matrix
//! is close to diagonal, and conjugate gradients solve it in a few steps whatever K.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex;

use crate::gridding::Gridding;
use crate::spectrum::Window;

/// The weights of the fit are the square of the window of the residue.
pub const FIT_WINDOW: Window = Window::HannSquared;
/// The window that the residue is seen through.
pub const RESIDUE_WINDOW: Window = Window::Hann;

/// Windows of one record length.
pub struct Weights {
    /// Values of [`RESIDUE_WINDOW`].
    pub residue: Vec<f64>,
    /// Values of [`FIT_WINDOW`]: their squares.
    pub fit: Vec<f64>,
}

impl Weights {
    /// For a record of `len` samples.
    pub fn new(len: usize) -> Self {
        let residue = RESIDUE_WINDOW.samples(len);
        let fit = residue.iter().map(|h| h * h).collect();
        Self { residue, fit }
    }
}

/// What the fit found in one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct HarmonicFit {
    /// Complex amplitude c_k of each harmonic from dc, half the peak, phase at the record's middle.
    pub coefficients: Vec<Complex<f64>>,
    /// What the model leaves over, sample by sample, in the channel's unit; empty if nobody asked for it.
    pub residual: Vec<f64>,
}

impl HarmonicFit {
    /// Rms of harmonic `order` (0 is dc's magnitude), in the channel's unit; 0 beyond the highest fitted.
    pub fn rms(&self, order: usize) -> f64 {
        let factor = if order == 0 { 1.0 } else { std::f64::consts::SQRT_2 };
        self.coefficients.get(order).map_or(0.0, |c| factor * c.norm())
    }
}

/// The harmonics of one frequency over one record length, ready to be fitted to any channel of the capture.
pub struct Basis {
    cycles_per_sample: f64,
    gridding: Gridding,
    weight_sum: f64,
    symbol: Vec<f64>,
}

/// Lines of the transform that a harmonic must stay below half the sample rate, so that it lies as far from its own
/// image as neighbours may from each other.
const MARGIN_LINES: f64 = 2.5;

/// Highest harmonic that a record of `len` samples holds `margin_lines` below half the sample rate. At least 1.
pub(crate) fn order_max(cycles_per_sample: f64, len: usize, margin_lines: f64) -> usize {
    (((0.5 - margin_lines / len as f64) / cycles_per_sample) as usize).clamp(1, 1 << 20)
}

impl Basis {
    /// For `len` samples and a tone of `cycles_per_sample`.
    pub fn new(cycles_per_sample: f64, len: usize) -> Self {
        let modes = order_max(cycles_per_sample, len, MARGIN_LINES);
        let gridding = Gridding::new(cycles_per_sample, len, modes);
        let lags: Vec<_> = (0..=2 * modes)
            .map(|lag| Complex::new(window_transform(TAU * cycles_per_sample * lag as f64, len), 0.0))
            .collect();
        let scale = 1.0 / gridding.size() as f64;
        let symbol = gridding.harmonics_to_grid(&lags).iter().map(|g| g * scale).collect();
        Self { cycles_per_sample, gridding, weight_sum: lags[0].re, symbol }
    }

    /// Fundamental frequency, in cycles per sample.
    pub fn cycles_per_sample(&self) -> f64 {
        self.cycles_per_sample
    }

    /// Fits one channel, which must have the basis' length.
    pub fn fit(&self, samples: &[f64], weights: &Weights) -> HarmonicFit {
        let sums = self.gridding.sums(|n| samples[n] * weights.fit[n]);
        let coefficients = self.solve(&sums);
        let mut residual = self.gridding.series(&coefficients);
        for (model, sample) in residual.iter_mut().zip(samples) {
            *model = sample - *model;
        }
        HarmonicFit { coefficients, residual }
    }

    /// Conjugate gradients on the normal equations.
    fn solve(&self, sums: &[Complex<f64>]) -> Vec<Complex<f64>> {
        const STEPS_MAX: usize = 60;
        let mut solution: Vec<_> = sums.iter().map(|s| s / self.weight_sum).collect();
        let product = self.multiply(&solution);
        let mut rest: Vec<_> = sums.iter().zip(&product).map(|(s, p)| s - p).collect();
        let mut direction = rest.clone();
        let mut rest_power = inner(&rest, &rest);
        let enough = inner(sums, sums) * 1e-30;
        for _ in 0..STEPS_MAX {
            if rest_power <= enough {
                break;
            }
            let product = self.multiply(&direction);
            let curvature = inner(&direction, &product);
            if curvature <= 0.0 {
                break;
            }
            let step = rest_power / curvature;
            for n in 0..solution.len() {
                solution[n] += direction[n] * step;
                rest[n] -= product[n] * step;
            }
            let power = inner(&rest, &rest);
            let turn = power / rest_power;
            rest_power = power;
            for (d, r) in direction.iter_mut().zip(&rest) {
                *d = *r + *d * turn;
            }
        }
        solution
    }

    /// The Toeplitz matrix times a vector, through the phase grid.
    fn multiply(&self, vector: &[Complex<f64>]) -> Vec<Complex<f64>> {
        let mut grid = self.gridding.harmonics_to_grid(vector);
        for (cell, symbol) in grid.iter_mut().zip(&self.symbol) {
            *cell *= symbol;
        }
        self.gridding.grid_to_harmonics(&mut grid)
    }
}

/// Inner product over k = −K…K of two conjugate-symmetric vectors.
fn inner(a: &[Complex<f64>], b: &[Complex<f64>]) -> f64 {
    let product = |(a, b): (&Complex<f64>, &Complex<f64>)| a.re * b.re + a.im * b.im;
    let all: f64 = a.iter().zip(b).map(product).sum();
    2.0 * all - a.iter().zip(b).take(1).map(product).sum::<f64>()
}

/// Σ w\[n\]·cos(ν(n − middle)) of the fit's weights at ν radians per sample, in closed form.
pub(crate) fn window_transform(nu: f64, len: usize) -> f64 {
    let len_f = len as f64;
    let dirichlet = |nu: f64| {
        let below = (nu / 2.0).sin();
        if below.abs() < 1e-12 {
            // At whole turns each term is ±1 together; only ν near 0 is met by harmonics below Nyquist.
            let turns = (nu / TAU).round() as i64;
            return if turns % 2 != 0 && len.is_multiple_of(2) { -len_f } else { len_f };
        }
        (nu * len_f / 2.0).sin() / below
    };
    let shift = TAU / len_f;
    let term = |(k, a): (usize, &f64)| {
        if k == 0 {
            return a * dirichlet(nu);
        }
        // cos(2πk(n+½)/N) about the record's middle is (−1)^k·cos(2πk·n'/N), which undoes the window's own sign.
        let k = k as f64 * shift;
        0.5 * a * (dirichlet(nu - k) + dirichlet(nu + k))
    };
    FIT_WINDOW.coefficients().iter().enumerate().map(term).sum()
}

/// A frequency and the fit found at it.
pub struct Polished {
    /// The harmonics at the final frequency.
    pub basis: Basis,
    /// The fit of the samples polished on.
    pub fit: HarmonicFit,
    /// Fundamental, in cycles per sample.
    pub cycles_per_sample: f64,
}

/// Moves the frequency until the residual of the whole harmonic model holds nothing that a change of the
/// fundamental's frequency would explain: the fourth parameter of IEEE Std 1057, free of the harmonics' bias.
pub fn polish(samples: &[f64], start_cycles_per_sample: f64, weights: &Weights) -> Polished {
    const ROUNDS_MAX: usize = 6;
    let len = samples.len();
    let middle = (len as f64 - 1.0) / 2.0;
    let spread: f64 = weights.fit.iter().enumerate().map(|(n, w)| w * (n as f64 - middle).powi(2)).sum();
    let mut frequency = start_cycles_per_sample;
    let mut round = 0;
    loop {
        round += 1;
        let basis = Basis::new(frequency, len);
        let fit = basis.fit(samples, weights);
        let fundamental = fit.coefficients[1];
        let mut slope = Complex::new(0.0, 0.0);
        rotate(frequency, len, |n, turn| {
            slope += turn * (weights.fit[n] * (n as f64 - middle) * fit.residual[n])
        });
        let change = (fundamental.conj() * slope).im / (fundamental.norm_sqr() * spread) / TAU;
        // Beyond a line of the spectrum the linear step means nothing: keep what the search found.
        let usable = change.is_finite() && change.abs() * len as f64 <= 0.5;
        if !usable || round >= ROUNDS_MAX || change.abs() * len as f64 * TAU < 1e-9 {
            let last = if usable { change } else { 0.0 };
            return Polished { basis, fit, cycles_per_sample: frequency + last };
        }
        frequency += change;
    }
}

/// Calls `each` with exp(−jθ\[n\]) of every sample, phases from the record's middle: a recurrence, renewed often
/// enough that rounding stays below 1e-13.
pub(crate) fn rotate(cycles_per_sample: f64, len: usize, mut each: impl FnMut(usize, Complex<f64>)) {
    const RENEW: usize = 64;
    let middle = (len as f64 - 1.0) / 2.0;
    let step = Complex::from_polar(1.0, -2.0 * PI * cycles_per_sample);
    let mut turn = Complex::new(1.0, 0.0);
    for n in 0..len {
        if n % RENEW == 0 {
            turn = Complex::from_polar(1.0, -2.0 * PI * (cycles_per_sample * (n as f64 - middle)).fract());
        }
        each(n, turn);
        turn *= step;
    }
}
