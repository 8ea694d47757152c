//! Noise as the source plays it: many sines of seeded phases between two frequencies, clipped to a crest factor.
//!
//! A sum of many sines is as good as Gaussian (central limit theorem), and unlike drawn numbers it is a function of
//! time: a record of the past and one of the present fit together.

use std::f64::consts::{SQRT_2, TAU};

use super::drive::add_tone;

/// How power lies over frequency.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// As much in each hertz.
    White,
    /// As much in each octave.
    Pink,
}

/// Band that the noise fills, Hz.
const BAND_HZ: (f64, f64) = (20.0, 20_000.0);
/// From one moment at which it is summed to the next, s: 12 to a cycle of its highest frequency.
const GRID_S: f64 = 4.0e-6;
/// Sines that make the noise.
const SINES: usize = 64;

/// A number between 0 and 1 that belongs to a place (SplitMix64's finaliser).
fn uniform(seed: u64, place: usize) -> f64 {
    let mut x = seed.wrapping_add((place as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
    x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((x ^ (x >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

/// Noise of rms 1 with a crest factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Clip {
    crest: f64,
    gain: f64,
}

impl Clip {
    /// Clipped noise is quieter: it is driven so much harder that its rms is 1.
    pub fn at(crest: f64) -> Self {
        Self { crest, gain: drive_for(crest) }
    }
}

/// Writes noise of `vrms` at `t0_s + k·dt_s`, clipped.
pub(crate) fn fill(shape: Shape, seed: u64, vrms: f64, clip: Clip, t0_s: f64, dt_s: f64, out: &mut [f64]) {
    if dt_s < GRID_S {
        interpolated(shape, seed, t0_s, dt_s, out);
    } else {
        summed(shape, seed, t0_s, dt_s, out);
    }
    let Clip { crest, gain } = clip;
    out.iter_mut().for_each(|v| *v = vrms * (gain * *v).clamp(-crest, crest));
}

/// The sum of all sines, of rms 1.
fn summed(shape: Shape, seed: u64, t0_s: f64, dt_s: f64, out: &mut [f64]) {
    out.fill(0.0);
    let (low_hz, high_hz) = BAND_HZ;
    let peak = SQRT_2 / (SINES as f64).sqrt();
    for sine in 0..SINES {
        // One in each of as many equal parts of the band, somewhere within it.
        let at = (sine as f64 + uniform(seed, sine)) / SINES as f64;
        let hz = match shape {
            Shape::White => low_hz + (high_hz - low_hz) * at,
            Shape::Pink => low_hz * (high_hz / low_hz).powf(at),
        };
        add_tone(peak, hz * t0_s + uniform(seed, SINES + sine), hz * dt_s, out);
    }
}

/// The same, where it is wanted far more finely than its band needs: summed at moments that are always the same, and
/// joined by cubics through four of them (Catmull-Rom), within a thousandth at 20 kHz.
fn interpolated(shape: Shape, seed: u64, t0_s: f64, dt_s: f64, out: &mut [f64]) {
    let first = (t0_s / GRID_S).floor() - 1.0;
    let count = (out.len() as f64 * dt_s / GRID_S).ceil() as usize + 5;
    let mut grid = vec![0.0; count];
    summed(shape, seed, first * GRID_S, GRID_S, &mut grid);
    let (from, step) = (t0_s / GRID_S - first, dt_s / GRID_S);
    for (k, v) in out.iter_mut().enumerate() {
        let at = from + k as f64 * step;
        let (index, x) = (at as usize, at.fract());
        let Some(&[a, b, c, d]) = grid.get(index - 1..).and_then(<[f64]>::first_chunk) else { continue };
        *v = b + 0.5 * x * (c - a + x * (2.0 * a - 5.0 * b + 4.0 * c - d + x * (3.0 * (b - c) + d - a)));
    }
}

/// How much harder Gaussian noise of rms 1 must be driven into a clip at `crest` for an rms of 1.
fn drive_for(crest: f64) -> f64 {
    let ms = |gain: f64| {
        let steps = 400;
        let step = 16.0 / f64::from(steps);
        let density = |x: f64| (-0.5 * x * x).exp() / TAU.sqrt();
        let at = |n: i32| -8.0 + step * (f64::from(n) + 0.5);
        (0..steps).map(|n| (gain * at(n)).clamp(-crest, crest).powi(2) * density(at(n)) * step).sum::<f64>()
    };
    // The rms rises with the drive, up to `crest` itself.
    let (mut low, mut high) = (1.0, 50.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if ms(middle) < 1.0 { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::{Clip, Shape, fill};

    /// Goertzel power of a piece at a frequency, for bands.
    fn power_between(samples: &[f64], fs_hz: f64, low_hz: f64, high_hz: f64) -> f64 {
        let n = samples.len() as f64;
        let bins = ((low_hz * n / fs_hz).ceil() as usize)..((high_hz * n / fs_hz) as usize);
        let bin = |k: usize| {
            let (mut a, mut b) = (0.0, 0.0);
            let coefficient = 2.0 * (std::f64::consts::TAU * k as f64 / n).cos();
            for v in samples {
                (a, b) = (v + coefficient * a - b, a);
            }
            (a * a + b * b - coefficient * a * b) / (n * n / 2.0)
        };
        bins.map(bin).sum()
    }

    /// Definitions: rms, crest factor; white has ten times the power in ten times the band, pink the same in each decade.
    #[test]
    fn noise_has_its_level_crest_and_colour() {
        let fs_hz = 48_000.0;
        for (shape, ratio) in [(Shape::White, 10.0), (Shape::Pink, 1.0)] {
            let mut samples = vec![0.0; 24_000];
            fill(shape, 7, 0.5, Clip::at(2.0), 3.0, 1.0 / fs_hz, &mut samples);
            let rms = (samples.iter().map(|v| v * v).sum::<f64>() / samples.len() as f64).sqrt();
            assert!((rms / 0.5 - 1.0).abs() < 0.05, "{shape:?} {rms}");
            let peak = samples.iter().fold(0.0_f64, |peak, v| peak.max(v.abs()));
            assert!(peak <= 1.0 + 1e-9 && peak > 0.99, "{shape:?} {peak}");
            let decades = power_between(&samples, fs_hz, 1_500.0, 15_000.0)
                / power_between(&samples, fs_hz, 150.0, 1_500.0);
            assert!((decades / ratio).log10().abs() < 0.2, "{shape:?} {decades}");
        }
    }

    /// Between its own moments it is what the sum is there.
    #[test]
    fn finely_wanted_noise_is_the_same_noise() {
        for t0_s in [0.0, 0.123_456_7] {
            let (mut fine, mut summed) = (vec![0.0; 6_000], vec![0.0; 6_000]);
            super::interpolated(Shape::White, 3, t0_s, 1.0 / 6.0e6, &mut fine);
            super::summed(Shape::White, 3, t0_s, 1.0 / 6.0e6, &mut summed);
            let apart = fine.iter().zip(&summed).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            assert!(apart < 5e-3, "{apart}");
        }
    }

    /// The same moments are the same noise, however they are asked for; another seed is another noise.
    #[test]
    fn noise_is_a_function_of_time() {
        let at = |seed, t0_s, count: usize| {
            let mut samples = vec![0.0; count];
            fill(Shape::Pink, seed, 1.0, Clip::at(3.0), t0_s, 1e-4, &mut samples);
            samples
        };
        let (whole, tail) = (at(1, 0.0, 200), at(1, 0.01, 100));
        let apart = whole.iter().skip(100).zip(&tail).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(apart < 1e-6, "{apart}");
        assert!(at(2, 0.0, 200).iter().zip(&whole).any(|(a, b)| (a - b).abs() > 0.1));
    }
}
