//! The project's accuracy table (measurement design, section 3), a check for each line. Records are exact and
//! not coherent with the sample clock; expected values are the synthesis' own.

use crate::support::*;
use wattproof_signal::{Capture, Settings, read};

const FS: f64 = 192_000.0;
const LEN: usize = 19_200;

/// Frequencies from ten cycles a record to the band's end.
const TONES: [f64; 6] = [101.37, 397.77, 997.0, 1000.3, 6_321.9, 19_777.1];

fn wrap_deg(deg: f64) -> f64 {
    deg - 360.0 * ((deg + 180.0) / 360.0).floor()
}

#[test]
fn amplitude_frequency_and_phase() {
    for hz in TONES {
        let parts = [(hz, 28.0, 0.7), (2.0 * hz, 0.9, 1.0), (3.0 * hz, 2.0, -2.0), (4.0 * hz, 0.4, 0.0)];
        let reading = read_volts(FS, tones(FS, LEN, &parts));
        assert_rel(reading.fundamental_vrms, 28.0 / 2_f64.sqrt(), 1e-5, "amplitude");
        assert_rel(reading.fundamental_hz, hz, 1e-7, "frequency");
        // A sine of phase φ is a cosine of phase φ − 90°.
        let expected = 0.7_f64.to_degrees() - 90.0;
        let error = wrap_deg(reading.fundamental_phase_deg.unwrap() - expected).abs();
        assert!(error < 1e-3, "{hz} Hz: phase off by {error}°");
    }
}

#[test]
fn true_rms_dc_and_active_power() {
    for hz in TONES {
        let volts = tones(FS, LEN, &[(hz, 28.0, 0.7), (3.0 * hz, 2.0, -2.0)]);
        let amps = tones(FS, LEN, &[(hz, 7.0, 0.2), (3.0 * hz, 0.3, -2.9)]);
        let volts: Vec<f64> = volts.iter().map(|v| v + 0.25).collect();
        let amps: Vec<f64> = amps.iter().map(|a| a + 0.03).collect();
        let capture = Capture { fs_hz: FS, volts, amps: Some(amps), ..Capture::default() };
        let reading = read(&capture, &Settings::default());
        let power = 28.0 * 7.0 / 2.0 * 0.5_f64.cos() + 2.0 * 0.3 / 2.0 * 0.9_f64.cos() + 0.25 * 0.03;
        assert_rel(reading.active_w, power, 2e-5, "active power");
        let vrms = (28.0_f64.powi(2) / 2.0 + 2.0 + 0.0625).sqrt();
        assert_rel(reading.out_vrms, vrms, 1e-5, "true rms voltage");
        assert_rel(reading.out_irms, (24.5 + 0.045 + 0.0009_f64).sqrt(), 1e-5, "true rms current");
        assert_rel(reading.dc_v, 0.25, 1e-5, "dc");
        assert_rel(reading.phase_deg, 0.5_f64.to_degrees(), 1e-5, "phase, lagging current positive");
        assert_rel(reading.load_ohm_measured, 4.0 * 0.5_f64.cos(), 1e-5, "resistance");
        assert_rel(reading.load_x_ohm, 4.0 * 0.5_f64.sin(), 1e-5, "reactance");
    }
}

#[test]
fn each_harmonic_above_minus_140_db() {
    let hz = 997.03;
    let db = |order: usize| -5.0 - 7.1 * order as f64;
    let parts: Vec<_> = (1..=19)
        .map(|n| (n as f64 * hz, if n == 1 { 1.0 } else { 10_f64.powf(db(n) / 20.0) }, n as f64))
        .collect();
    let reading = read_volts(FS, tones(FS, LEN, &parts));
    assert_eq!(reading.harmonics_pct.len(), 19, "orders 2 to 20");
    for order in 2..=19 {
        let found = 20.0 * (reading.harmonics_pct[order - 2] / 100.0).log10();
        assert!((found - db(order)).abs() < 0.01, "harmonic {order}: {found} dB against {} dB", db(order));
    }
    assert!(db(19) < -139.0);
}

#[test]
fn the_floor_of_an_undistorted_sine_is_below_minus_150_db() {
    for hz in TONES {
        let reading = read_volts(FS, tones(FS, LEN, &[(hz, 28.0, 0.7)]));
        let floor = 10_f64.powf(-150.0 / 20.0) * 100.0;
        assert!(reading.thd_pct.is_none_or(|thd| thd < floor), "{hz} Hz: THD {:?}", reading.thd_pct);
        assert!(reading.thdn_pct.unwrap() < floor, "{hz} Hz: THD+N {:?}", reading.thdn_pct);
    }
}

#[test]
fn many_harmonics_of_a_low_tone_are_found() {
    // 40 Hz in the audio band has 499 harmonics; ten cycles of it.
    let hz = 40.003;
    let peak = |n: usize| if n == 1 { 10.0 } else { 0.02 / (n as f64).sqrt() };
    let reading = read_volts(48_000.0, series(48_000.0, 12_000, hz, peak));
    assert_eq!(reading.harmonics_pct.len(), 499);
    assert_rel(reading.thd_pct, partial_thd_pct(500, peak), 1e-6, "THD");
    assert_rel(Some(reading.harmonics_pct[498]), 100.0 * peak(500) / 10.0, 1e-4, "harmonic 500");
}

#[test]
fn switching_residue_does_not_move_thd() {
    // 40 dB over the distortion, at 43 kHz and above; limit of the project: 1e-4 of the THD's value.
    for hz in [1000.3, 997.0, 6_001.3] {
        let clean = [(hz, 28.0, 0.7), (2.0 * hz, 0.002, 0.3), (3.0 * hz, 0.003, 1.0)];
        let before = read_volts(FS, tones(FS, LEN, &clean));
        for residue_hz in [43_000.0, 47_123.4, 61_000.7, 80_011.0, 93_000.0] {
            let peak = 100.0 * 0.002_f64.hypot(0.003);
            let mut parts = clean.to_vec();
            parts.push((residue_hz, peak, 2.0));
            let after = read_volts(FS, tones(FS, LEN, &parts));
            assert_rel(after.thd_pct, before.thd_pct.unwrap(), 1e-4, "THD under residue");
            assert_rel(after.thdn_pct, before.thdn_pct.unwrap(), 1e-3, "THD+N under residue");
            assert_rel(after.residue_vrms, peak / 2_f64.sqrt(), 0.01, "residue");
        }
    }
}

#[test]
fn hum_is_told_from_noise_and_harmonics() {
    // Synthesis: 50 Hz at 0.5 % and 100 Hz at 0.2 % of the fundamental.
    let parts = [(1013.7, 10.0, 0.0), (50.0, 0.05, 1.0), (100.0, 0.02, 2.0), (3041.1, 0.1, 0.0)];
    let reading = read_volts(FS, tones(FS, LEN, &parts));
    assert_rel(reading.hum_pct, 100.0 * 0.005_f64.hypot(0.002), 0.03, "hum");
    assert_rel(reading.thd_pct, 1.0, 1e-3, "THD beside hum");
    assert_rel(
        reading.thdn_pct,
        100.0 * (0.01_f64.powi(2) + 0.005_f64.powi(2) + 0.002_f64.powi(2)).sqrt(),
        0.01,
        "THD+N",
    );
}
