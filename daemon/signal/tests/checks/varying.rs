//! Signals that change within the record must give sober numbers.

use std::f64::consts::TAU;

use crate::support::*;

const FS: f64 = 96_000.0;
const LEN: usize = 19_200;

fn shaped(gain: impl Fn(f64) -> f64) -> Vec<f64> {
    (0..LEN).map(|n| gain(n as f64 / LEN as f64) * 10.0 * (TAU * 1000.3 * n as f64 / FS).sin()).collect()
}

#[test]
fn a_steady_tone_has_a_flat_envelope() {
    let envelope = read_volts(FS, shaped(|_| 1.0)).envelope.unwrap();
    assert!(envelope.fundamental_vrms.iter().all(|v| (v * 2_f64.sqrt() / 10.0 - 1.0).abs() < 1e-7));
    assert!(envelope.droop_db.unwrap().abs() < 1e-6);
    assert!(envelope.fundamental_vrms.len() > 50);
    let cycles = envelope.block_s * 1000.3;
    assert!((cycles - cycles.round()).abs() < 1e-6, "whole cycles");
}

#[test]
fn a_sagging_level_is_a_droop_and_no_distortion() {
    // Synthesis: a fall of 2 % in a straight line. The means of the first and last quarter lie 1.5 % apart.
    let reading = read_volts(FS, shaped(|t| 1.0 - 0.02 * t));
    let droop = 20.0 * ((1.0 - 0.0175_f64) / (1.0 - 0.0025)).log10();
    assert!((reading.envelope.as_ref().unwrap().droop_db.unwrap() - droop).abs() < 0.01);
    assert!(reading.thdn_pct.unwrap() < 0.01, "THD+N {:?}", reading.thdn_pct);
    assert_rel(reading.fundamental_vrms, 9.9 / 2_f64.sqrt(), 1e-3, "fundamental");
}

#[test]
fn steps_bursts_and_sweeps_stay_finite_and_bounded() {
    // Definitions: rms follows the samples; a share can't exceed the whole.
    let shapes: [(&str, Vec<f64>); 5] = [
        ("limiter attack", shaped(|t| if t < 0.2 { 1.0 } else { 0.5 })),
        ("trip", shaped(|t| if t < 0.6 { 1.0 } else { 0.0 })),
        ("burst", shaped(|t| if (0.45..0.55).contains(&t) { 1.0 } else { 0.01 })),
        ("reversal", shaped(|t| if t < 0.5 { 1.0 } else { -1.0 })),
        ("sweep", (0..LEN).map(|n| (TAU * (1e3 + n as f64 * 0.05) * n as f64 / FS).sin()).collect()),
    ];
    for (name, volts) in shapes {
        let rms = (volts.iter().map(|v| v * v).sum::<f64>() / LEN as f64).sqrt();
        let reading = read_volts(FS, volts);
        if reading.is_refused() {
            continue;
        }
        assert_rel(reading.out_vrms, rms, 0.01, name);
        assert!(reading.fundamental_vrms.unwrap() <= 1.5 * rms, "{name}: {:?}", reading.fundamental_vrms);
        assert!((0.0..=100.0).contains(&reading.thdn_pct.unwrap()), "{name}: {:?}", reading.thdn_pct);
    }
    let attack = read_volts(FS, shaped(|t| if t < 0.2 { 1.0 } else { 0.5 }));
    let envelope = attack.envelope.unwrap();
    assert_rel(envelope.fundamental_vrms.first().copied(), 10.0 / 2_f64.sqrt(), 0.05, "before the attack");
    assert_rel(envelope.fundamental_vrms.last().copied(), 5.0 / 2_f64.sqrt(), 0.05, "after the attack");
}

#[test]
fn a_trip_within_the_record_is_no_hum() {
    // Synthesis: there is no mains in it.
    let reading = read_volts(FS, shaped(|t| if t < 0.5 { 1.0 } else { 0.0 }));
    assert!(reading.hum_pct.unwrap() < 1.0, "{:?}", reading.hum_pct);
}
