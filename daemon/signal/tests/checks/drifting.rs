//! A tone whose frequency moves within the record is remarked upon; whatever else may happen to it is not.

use std::f64::consts::{PI, TAU};

use crate::support::*;
use wattproof_signal::{Flag, Reading};

const FS: f64 = 96_000.0;
const LEN: usize = 48_000;
const HZ: f64 = 1000.3;

/// A tone that moves by `moved_hz` from the record's start to its end: the phase of that is an integral, π·Δf·t²/T.
fn moving(moved_hz: f64, noise_vrms: f64, seed: u64) -> Vec<f64> {
    let mut noise = Noise(seed);
    let record_s = LEN as f64 / FS;
    let at = |n: usize| {
        let t = n as f64 / FS;
        let turns = (HZ * t).fract() + 0.5 * moved_hz * t * t / record_s;
        10.0 * (TAU * turns).sin()
    };
    (0..LEN).map(|n| at(n) + noise_vrms * noise.next()).collect()
}

/// Rms of the phase's bend, in rad: π·Δf·T·(x² − 1/12) over x = −½…½ (closed form).
fn bend_rad(moved_hz: f64) -> f64 {
    PI * moved_hz * (LEN as f64 / FS) / 180_f64.sqrt()
}

fn drifts(reading: &Reading) -> bool {
    assert!(!reading.is_refused(), "{:?}", reading.flags);
    reading.flags.contains(&Flag::FrequencyDrift)
}

#[test]
fn a_moving_frequency_is_remarked_upon_and_still_measured() {
    for moved_hz in [0.03, -0.03, 0.3, -1.0, 3.0] {
        for noise_vrms in [0.0, 1e-3, 0.05] {
            let reading = read_volts(FS, moving(moved_hz, noise_vrms, 4));
            assert!(drifts(&reading), "{moved_hz} Hz, bend {} rad", bend_rad(moved_hz));
            assert!(reading.thdn_pct.is_some() && reading.flags.len() == 1);
        }
    }
}

#[test]
fn what_is_not_remarked_upon_spoils_no_number() {
    // Definition: the same record without the movement has a THD+N 1 % lower at most.
    let mut seen = [0, 0];
    for moved_hz in [1e-4, 1e-3, 3e-3, 8e-3] {
        for noise_vrms in [0.0, 1e-5, 1e-4, 1e-3, 1e-2] {
            let reading = read_volts(FS, moving(moved_hz, noise_vrms, 1));
            let steady = read_volts(FS, moving(0.0, noise_vrms, 1)).thdn_pct.unwrap();
            let more = reading.thdn_pct.unwrap() / steady - 1.0;
            seen[usize::from(drifts(&reading))] += 1;
            let what = format!("{moved_hz} Hz, {noise_vrms} V: THD+N off by {more}");
            assert!(drifts(&reading) || more < 0.012, "{what}");
            assert!(!drifts(&reading) || more > 0.005, "{what}");
            assert_rel(reading.fundamental_hz, HZ + moved_hz / 2.0, 1e-7, "mean frequency");
        }
    }
    assert!(seen[0] > 5 && seen[1] > 5, "{seen:?}");
}

#[test]
fn noise_is_no_drift() {
    // Of white noise around a steady tone no run in 300 may be remarked upon: five standard deviations.
    for seed in 0..100 {
        for noise_vrms in [0.01, 0.3, 2.0] {
            assert!(!drifts(&read_volts(FS, moving(0.0, noise_vrms, seed))), "seed {seed}, {noise_vrms} V");
        }
    }
}

#[test]
fn a_steady_frequency_is_not_remarked_upon_whatever_its_level_does() {
    let shaped = |gain: &dyn Fn(f64) -> f64| -> Vec<f64> {
        moving(0.0, 1e-3, 8).iter().enumerate().map(|(n, v)| v * gain(n as f64 / LEN as f64)).collect()
    };
    for (name, volts) in [
        ("droop", shaped(&|t| 1.0 - 0.1 * t)),
        ("limiter", shaped(&|t| 0.5 + 0.5 * (-10.0 * t).exp())),
        ("step", shaped(&|t| if t < 0.3 { 1.0 } else { 0.6 })),
        ("trip", shaped(&|t| if t < 0.6 { 1.0 } else { 0.0 })),
        ("rise", shaped(&|t| t)),
        ("tremolo", shaped(&|t| 1.0 + 0.3 * (TAU * 2.5 * t).sin())),
    ] {
        assert!(!drifts(&read_volts(FS, volts)), "{name}");
    }
    // Hum beside a low tone, and a clipped wave.
    let hum = tones(48_000.0, LEN, &[(40.013, 10.0, 0.2), (50.0, 0.5, 0.1), (100.0, 0.3, 0.0)]);
    assert!(!drifts(&read_volts(48_000.0, hum)));
    let clipped = moving(0.0, 0.0, 1).iter().map(|v| v.clamp(-5.0, 7.0)).collect();
    assert!(!drifts(&read_volts(FS, clipped)));
}
