//! Sine fits of IEEE Std 1057: least squares of A·cos ωt + B·sin ωt + C, frequency known or free.

use std::f64::consts::TAU;

use nalgebra::{Matrix3, Matrix4, Vector3, Vector4};
use realfft::num_complex::Complex;

use crate::harmonics::rotate;

/// A fitted sine, y = amplitude·cos(2πft + phase) + offset with t = 0 at the first sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sine {
    /// Frequency, in Hz.
    pub hz: f64,
    /// Coefficient of the cosine, in the samples' unit.
    pub cosine: f64,
    /// Coefficient of the sine, in the samples' unit.
    pub sine: f64,
    /// Constant part, in the samples' unit.
    pub offset: f64,
    /// Rms of what the fit leaves over, in the samples' unit.
    pub residual_rms: f64,
}

impl Sine {
    /// Peak amplitude, in the samples' unit.
    pub fn amplitude(&self) -> f64 {
        self.cosine.hypot(self.sine)
    }

    /// Phase of the cosine at the first sample, in rad: atan2(−B, A).
    pub fn phase_rad(&self) -> f64 {
        (-self.sine).atan2(self.cosine)
    }
}

/// Three-parameter fit at a known frequency. `None` if the record can't tell the parameters apart.
pub fn three_parameter(samples: &[f64], fs_hz: f64, hz: f64) -> Option<Sine> {
    if samples.len() < 3 {
        return None;
    }
    let omega = TAU * hz / fs_hz;
    let (mut gram, mut sums) = (Matrix3::zeros(), Vector3::zeros());
    for (n, y) in samples.iter().enumerate() {
        let (sine, cosine) = (omega * n as f64).sin_cos();
        let row = Vector3::new(cosine, sine, 1.0);
        gram += row * row.transpose();
        sums += row * *y;
    }
    let found = gram.lu().solve(&sums)?;
    finish(samples, omega, hz, found)
}

/// Four-parameter fit, frequency free, by the standard's iteration from a starting frequency. `None` if it
/// leaves the range between 0 and half the sample rate or the record can't tell the parameters apart.
pub fn four_parameter(samples: &[f64], fs_hz: f64, start_hz: f64) -> Option<Sine> {
    const ROUNDS_MAX: usize = 30;
    if samples.len() < 4 {
        return None;
    }
    let mut fitted = three_parameter(samples, fs_hz, start_hz)?;
    for _ in 0..ROUNDS_MAX {
        let omega = TAU * fitted.hz / fs_hz;
        let (mut gram, mut sums) = (Matrix4::zeros(), Vector4::zeros());
        for (n, y) in samples.iter().enumerate() {
            let t = n as f64;
            let (sine, cosine) = (omega * t).sin_cos();
            let row = Vector4::new(cosine, sine, 1.0, t * (fitted.sine * cosine - fitted.cosine * sine));
            gram += row * row.transpose();
            sums += row * *y;
        }
        let found = gram.lu().solve(&sums)?;
        let hz = fitted.hz + found[3] * fs_hz / TAU;
        if !(hz > 0.0 && hz < fs_hz / 2.0) {
            return None;
        }
        let settled = (hz - fitted.hz).abs() <= 1e-14 * hz;
        fitted = three_parameter(samples, fs_hz, hz)?;
        if settled {
            break;
        }
    }
    Some(fitted)
}

fn finish(samples: &[f64], omega: f64, hz: f64, found: Vector3<f64>) -> Option<Sine> {
    let model = |n: usize| {
        let (sine, cosine) = (omega * n as f64).sin_cos();
        found[0] * cosine + found[1] * sine + found[2]
    };
    let squares: f64 = samples.iter().enumerate().map(|(n, y)| (y - model(n)).powi(2)).sum();
    let residual_rms = (squares / samples.len() as f64).sqrt();
    let sine = Sine { hz, cosine: found[0], sine: found[1], offset: found[2], residual_rms };
    (sine.amplitude().is_finite() && residual_rms.is_finite()).then_some(sine)
}

/// Moves a frequency (cycles per sample) onto the tone next to it: the four-parameter fit with weights, alone
/// without harmonics, for a start that the harmonic model can take up.
pub(crate) fn refine(samples: &[f64], weights: &[f64], start: f64) -> f64 {
    const ROUNDS_MAX: usize = 12;
    let len = samples.len();
    let middle = (len as f64 - 1.0) / 2.0;
    let spread: f64 = weights.iter().enumerate().map(|(n, w)| w * (n as f64 - middle).powi(2)).sum();
    let total: f64 = weights.iter().sum();
    let mut frequency = start;
    for _ in 0..ROUNDS_MAX {
        let (mut sum, mut slope) = (Complex::new(0.0, 0.0), Complex::new(0.0, 0.0));
        rotate(frequency, len, |n, turn| {
            let part = turn * (weights[n] * samples[n]);
            sum += part;
            slope += part * (n as f64 - middle);
        });
        let change = (sum.conj() * slope).im * total / (sum.norm_sqr() * spread) / TAU;
        if !change.is_finite() {
            break;
        }
        // A step beyond half a line would leave the tone that the spectrum showed.
        let change = change.clamp(-0.5 / len as f64, 0.5 / len as f64);
        frequency += change;
        if change.abs() * (len as f64) < 1e-8 {
            break;
        }
    }
    frequency
}
