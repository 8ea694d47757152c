//! Signals for the checks: sums of tones, noise, reference tables.

use std::f64::consts::TAU;

use wattproof_signal::{Capture, Reading, Settings, read};

/// A table of `tests/data`.
pub fn table(name: &str) -> serde_json::Value {
    let path = format!("{}/tests/data/{name}.json", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

/// Σ peak·sin(2π·hz·t + phase) over (hz, peak, phase).
pub fn tones(fs_hz: f64, len: usize, parts: &[(f64, f64, f64)]) -> Vec<f64> {
    let at = |n: usize| {
        let part = |(hz, peak, phase): &(f64, f64, f64)| {
            peak * (TAU * (hz / fs_hz * n as f64).fract() + phase).sin()
        };
        parts.iter().map(part).sum()
    };
    (0..len).map(at).collect()
}

/// Sine series of a waveform, `peak(order)` each, up to half a harmonic below half the sample rate.
pub fn series(fs_hz: f64, len: usize, hz: f64, peak: impl Fn(usize) -> f64) -> Vec<f64> {
    let last = (fs_hz / 2.0 / hz - 0.5) as usize;
    let parts: Vec<_> =
        (1..=last).map(|n| (n as f64 * hz, peak(n), 0.0)).filter(|part| part.1 != 0.0).collect();
    tones(fs_hz, len, &parts)
}

/// THD_F of a series within orders 2…`last`, in percent.
pub fn partial_thd_pct(last: usize, peak: impl Fn(usize) -> f64) -> f64 {
    100.0 * (2..=last).map(|n| peak(n).powi(2)).sum::<f64>().sqrt() / peak(1).abs()
}

/// Coefficient of order `n` of a unit sine clipped at ±r (closed form, own derivation, tests/data).
pub fn clip_coefficient(r: f64, n: usize) -> f64 {
    use std::f64::consts::PI;
    let a = r.asin();
    if n == 1 {
        return 2.0 / PI * (a + r * (1.0 - r * r).sqrt());
    }
    if n.is_multiple_of(2) {
        return 0.0;
    }
    let n = n as f64;
    2.0 / (PI * n) * (((n - 1.0) * a).sin() / (n - 1.0) + ((n + 1.0) * a).sin() / (n + 1.0))
}

pub fn voltage(fs_hz: f64, volts: Vec<f64>) -> Capture {
    Capture { fs_hz, volts, ..Capture::default() }
}

pub fn read_volts(fs_hz: f64, volts: Vec<f64>) -> Reading {
    read(&voltage(fs_hz, volts), &Settings::default())
}

/// The band widened to half the sample rate.
pub fn wide(fs_hz: f64) -> Settings {
    Settings { band_hz: (20.0, fs_hz / 2.0), ..Settings::default() }
}

pub fn assert_rel(found: Option<f64>, expected: f64, tolerance: f64, what: &str) {
    let found = found.unwrap_or_else(|| panic!("{what} is absent"));
    let error = (found / expected - 1.0).abs();
    assert!(error <= tolerance, "{what}: {found} against {expected}, relative error {error:e}");
}

/// Normal noise of unit variance (Box & Muller 1958 over a 64-bit congruential generator, Knuth).
pub struct Noise(pub u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        let mixed = (self.0 ^ (self.0 >> 33)).wrapping_mul(0xff51afd7ed558ccd);
        ((mixed >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    pub fn next(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (TAU * self.uniform()).cos()
    }
}

/// Numbers drawn evenly, the same ones every time.
pub struct Draw(Noise);

impl Draw {
    pub fn new(seed: u64) -> Self {
        let mut noise = Noise(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        noise.uniform();
        Self(noise)
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.uniform()
    }

    pub fn pick(&mut self, from: &[f64]) -> f64 {
        from[(self.between(0.0, from.len() as f64) as usize).min(from.len() - 1)]
    }
}
