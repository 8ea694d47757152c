//! The sine fits of IEEE Std 1057.

use crate::support::*;
use wattproof_signal::fit::{four_parameter, three_parameter};

fn record() -> (serde_json::Value, Vec<f64>, f64) {
    let table = table("sine_fit");
    let samples = table["y_integers"].as_array().unwrap().iter().map(|y| y.as_f64().unwrap()).collect();
    let fs_hz = table["fs"].as_f64().unwrap();
    (table, samples, fs_hz)
}

#[test]
fn three_parameters_at_the_known_frequency() {
    // tests/data/sine_fit.json: IEEE Std 1057 model, reference solution computed apart.
    let (table, samples, fs_hz) = record();
    let sine = three_parameter(&samples, fs_hz, 1234.5).unwrap();
    let expected = |name: &str| table["three_param_at_true_f"][name].as_f64().unwrap();
    assert_rel(Some(sine.cosine), expected("A0"), 1e-11, "A0");
    assert_rel(Some(sine.sine), expected("B0"), 1e-11, "B0");
    assert_rel(Some(sine.offset), expected("C0"), 1e-9, "C0");
    assert_rel(Some(sine.amplitude()), expected("amp"), 1e-11, "amplitude");
    assert_rel(Some(sine.phase_rad()), expected("phase"), 1e-11, "phase");
}

#[test]
fn four_parameters_from_a_start_nearby() {
    // tests/data/sine_fit.json: IEEE Std 1057 iteration from 1230 Hz.
    let (table, samples, fs_hz) = record();
    let sine = four_parameter(&samples, fs_hz, 1230.0).unwrap();
    let expected = |name: &str| table["four_param_start_1230Hz"][name].as_f64().unwrap();
    assert_rel(Some(sine.hz), expected("f"), 1e-11, "frequency");
    assert_rel(Some(sine.amplitude()), expected("amp"), 1e-10, "amplitude");
    assert_rel(Some(sine.phase_rad()), expected("phase"), 1e-9, "phase");
    assert_rel(Some(sine.offset), expected("C0"), 1e-8, "offset");
    assert_rel(Some(sine.residual_rms), expected("rms_residual"), 1e-8, "residual");
}

#[test]
fn a_record_that_tells_nothing_gives_no_fit() {
    // Definition: three unknowns need three samples.
    assert_eq!(three_parameter(&[1.0, 2.0], 48_000.0, 1000.0), None);
    assert_eq!(four_parameter(&[], 48_000.0, 1000.0), None);
}

#[test]
fn the_amplitude_scatters_no_more_than_its_bound_allows() {
    // Cramér–Rao bound (Kay; from memory): variance of an amplitude 2σ²/N; the weights of the reading's fit cost
    // their equivalent noise bandwidth, 1.944.
    let (sigma, len) = (0.01, 4_800);
    let found: Vec<f64> = (1..=300)
        .map(|seed| {
            let mut noise = Noise(seed);
            let volts = tones(48_000.0, len, &[(1000.7, 1.0, 0.3)])
                .iter()
                .map(|v| v + sigma * noise.next())
                .collect();
            read_volts(48_000.0, volts).fundamental_vrms.unwrap() * 2_f64.sqrt()
        })
        .collect();
    let mean = found.iter().sum::<f64>() / 300.0;
    let deviation = (found.iter().map(|a| (a - mean).powi(2)).sum::<f64>() / 299.0).sqrt();
    let bound = sigma * (2.0 * 1.944 / len as f64).sqrt();
    assert!((deviation / bound - 1.0).abs() < 0.15, "{deviation} against {bound}");
    assert!((mean - 1.0).abs() < 4.0 * bound / 300_f64.sqrt(), "mean {mean}");
}
