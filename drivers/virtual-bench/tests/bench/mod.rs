//! Amplifiers and measuring tools the physics tests share.
#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(clippy::unwrap_used, reason = "shared test support: a failed set-up must fail the test")]

use std::f64::consts::TAU;

use realfft::RealFftPlanner;
use wattproof_virtual_bench::{AmplifierSpec, Drive, Load, World};

/// A lossless hard-clipping class-B amplifier: gain 10, rails ±supply, no noise.
pub fn ideal(extra: &str) -> AmplifierSpec {
    let text = format!(
        r#"
name = "ideal"
invented = true
description = "textbook stage"
[nameplate]
maker = "none"
model = "none"
[[nameplate.ratings]]
watts = 1.0
load_ohm = 4.0
supply_v = 14.4
channels = "all"
thdn_pct = 1.0
hz = 1000.0
[physics]
gain_db = 20.0
[physics.supply]
ratio = 1.0
source_ohm = 0.0
settle_s = 0.001
converter_efficiency = 1.0
idle_a = 0.0
minimum_v = 0.0
[physics.output]
kind = "class_ab"
drop_v = 0.0
resistance_ohm = 0.0
[physics.transfer]
shape = "hard"
[physics.noise]
noise_vrms = 0.0
hum_hz = 50.0
[physics.thermal]
ambient_c = 25.0
heatsink_tau_s = 1000.0
heatsink_c_per_w = 0.1
die_tau_s = 0.3
die_c_per_w = 0.1
{extra}
"#
    );
    AmplifierSpec::from_toml(&text).unwrap()
}

/// A powered world playing one sine on both channels into resistors, settled for `settle_s`.
pub fn playing(spec: AmplifierSpec, volts: f64, ohm: f64, vrms: f64, hz: f64, settle_s: f64) -> World {
    let mut world = World::new(spec, 7);
    world.supply_set(volts, 1.0e3, true);
    for ch in 0..2 {
        world.load_set(ch, Load::resistive(ohm).unwrap(), true);
    }
    world.advance(0.5);
    for ch in 0..2 {
        world.source_set(ch, Drive::Sine { vrms, hz }, true);
    }
    world.advance(0.5 + settle_s);
    world
}

/// Amplitudes of all bins of a coherent record.
pub fn spectrum(record: &[f64]) -> Vec<f64> {
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(record.len());
    let mut input = record.to_vec();
    let mut bins = fft.make_output_vec();
    fft.process(&mut input, &mut bins).unwrap();
    bins.iter().map(|b| b.norm() * 2.0 / record.len() as f64).collect()
}

/// THD in % over harmonics up to 20 kHz, and the fundamental's amplitude, of a coherent record.
pub fn thd_pct(record: &[f64], fs_hz: f64, hz: f64) -> (f64, f64) {
    let bins = spectrum(record);
    let per_hz = record.len() as f64 / fs_hz;
    let at = |k: usize| bins[(k as f64 * hz * per_hz).round() as usize];
    let highest = (20_000.0 / hz) as usize;
    let sum: f64 = (2..=highest).map(|k| at(k).powi(2)).sum();
    (100.0 * sum.sqrt() / at(1), at(1))
}

/// In-band rms (20 Hz to 20 kHz) of a coherent record.
pub fn band_rms(record: &[f64], fs_hz: f64) -> f64 {
    let bins = spectrum(record);
    let hz = fs_hz / record.len() as f64;
    let band = bins.iter().enumerate().filter(|(k, _)| (20.0..=20_000.0).contains(&(*k as f64 * hz)));
    (band.map(|(_, b)| b * b / 2.0).sum::<f64>()).sqrt()
}

/// Amplitude of a tone in a record of whole cycles.
pub fn tone(record: &[f64], fs_hz: f64, hz: f64) -> f64 {
    let (mut s, mut c) = (0.0, 0.0);
    for (k, v) in record.iter().enumerate() {
        let (sin, cos) = (TAU * hz * k as f64 / fs_hz).sin_cos();
        s += v * sin;
        c += v * cos;
    }
    2.0 * s.hypot(c) / record.len() as f64
}

/// A reference table.
pub fn table(text: &str) -> serde_json::Value {
    serde_json::from_str(text).unwrap()
}
