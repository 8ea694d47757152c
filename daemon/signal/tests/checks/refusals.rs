//! Captures that must be refused, and those that only deserve a remark. Reasons: measurement design, section 1.

use crate::support::*;
use wattproof_signal::{Capture, Flag, Reading, Settings, read};

const FS: f64 = 96_000.0;

fn refused(reading: &Reading, flag: Flag) {
    assert!(reading.flags.contains(&flag), "{:?} lacks {flag:?}", reading.flags);
    assert!(reading.is_refused());
    let numbers = Reading { flags: Vec::new(), ..reading.clone() };
    assert_eq!(numbers, Reading::default(), "a refused reading holds no number");
}

fn sine(hz: f64, len: usize) -> Vec<f64> {
    tones(FS, len, &[(hz, 10.0, 0.2)])
}

#[test]
fn empty_short_and_unequal_records() {
    refused(&read_volts(FS, Vec::new()), Flag::MissingSamples);
    for len in 1..16 {
        refused(&read_volts(FS, sine(1000.0, len)), Flag::TooShort);
    }
    let capture =
        Capture { fs_hz: FS, volts: sine(1e3, 9_600), amps: Some(vec![0.1; 9_599]), ..Capture::default() };
    refused(&read(&capture, &Settings::default()), Flag::MissingSamples);
    let expecting = Settings { expected_hz: Some(40.0), ..Settings::default() };
    refused(&read(&voltage(FS, sine(40.0, 9_600)), &expecting), Flag::TooShort);
    refused(&read_volts(FS, sine(43.0, 9_600)), Flag::TooShort);
    assert!(
        !read(&voltage(FS, sine(50.0, 9_600)), &expecting_hz(50.0)).is_refused(),
        "five cycles are enough"
    );
}

fn expecting_hz(hz: f64) -> Settings {
    Settings { expected_hz: Some(hz), ..Settings::default() }
}

#[test]
fn samples_and_settings_that_are_no_numbers() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e200] {
        let mut volts = sine(1000.0, 9_600);
        volts[77] = bad;
        refused(&read_volts(FS, volts.clone()), Flag::InvalidSamples);
        let capture =
            Capture { fs_hz: FS, volts: sine(1000.0, 9_600), amps: Some(volts), ..Capture::default() };
        refused(&read(&capture, &Settings::default()), Flag::InvalidSamples);
    }
    for fs in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        refused(&read_volts(fs, sine(1000.0, 9_600)), Flag::InvalidSamples);
    }
    let band = Settings { band_hz: (20_000.0, 20.0), ..Settings::default() };
    refused(&read(&voltage(FS, sine(1000.0, 9_600)), &band), Flag::InvalidSamples);
}

#[test]
fn silence_dc_and_noise_are_no_signal() {
    refused(&read_volts(FS, vec![0.0; 9_600]), Flag::NoSignal);
    refused(&read_volts(FS, vec![13.8; 9_600]), Flag::NoSignal);
    for seed in 1..20 {
        let mut noise = Noise(seed);
        let volts: Vec<f64> = (0..9_600).map(|_| noise.next()).collect();
        refused(&read_volts(FS, volts.clone()), Flag::NoSignal);
        let reading = read(&voltage(FS, volts), &expecting_hz(1000.0));
        assert!(reading.is_refused(), "{:?}", reading.flags);
    }
}

#[test]
fn six_decibels_over_the_noise_decide() {
    // In-band noise of a known density; the tone 1 dB below and above the limit of 6 dB.
    let noise_vrms = (2.0 * 19_980.0 / FS).sqrt();
    for (over_db, heard) in [(4.5, false), (7.5, true)] {
        let peak = 2_f64.sqrt() * noise_vrms * 10_f64.powf(over_db / 20.0);
        let mut noise = Noise(5);
        let volts = tones(FS, 9_600, &[(997.0, peak, 0.0)]).iter().map(|v| v + noise.next()).collect();
        let reading = read_volts(FS, volts);
        assert_eq!(!reading.is_refused(), heard, "{over_db} dB: {:?}", reading.flags);
    }
}

#[test]
fn a_tone_elsewhere_is_the_wrong_frequency() {
    refused(&read(&voltage(FS, sine(1200.0, 9_600)), &expecting_hz(1000.0)), Flag::WrongFrequency);
    refused(&read(&voltage(FS, sine(1000.0, 9_600)), &expecting_hz(60_000.0)), Flag::WrongFrequency);
    let near = read(&voltage(FS, sine(1004.0, 9_600)), &expecting_hz(1000.0));
    assert_rel(near.fundamental_hz, 1004.0, 1e-7, "a source slightly off is measured where it is");
}

#[test]
fn the_commanded_tone_is_taken_though_a_harmonic_is_stronger() {
    // Definition: distortion is told of the commanded tone.
    let volts = tones(FS, 9_600, &[(1000.3, 1.0, 0.0), (3000.9, 1.5, 0.4)]);
    let reading = read(&voltage(FS, volts), &expecting_hz(1000.0));
    assert_rel(reading.thd_pct, 150.0, 1e-6, "THD");
}

#[test]
fn samples_lost_within_the_record_are_noticed() {
    for lost in [7, 20, 48, 70] {
        let mut volts = sine(1000.3, 9_700);
        volts.drain(5_000..5_000 + lost);
        refused(&read_volts(FS, volts), Flag::MissingSamples);
    }
}

#[test]
fn an_overrange_is_flagged_and_still_computed() {
    let volts: Vec<f64> = sine(1000.3, 9_600).iter().map(|v| v.clamp(-8.0, 8.0)).collect();
    let mut capture = Capture { fs_hz: FS, volts, volts_full_scale: Some(8.0), ..Capture::default() };
    let reading = read(&capture, &Settings::default());
    assert_eq!(reading.flags, [Flag::AdcOverrange]);
    assert!(reading.thd_pct.unwrap() > 5.0);
    // The amplifier clips below the converter's limits: no flag.
    capture.volts_full_scale = Some(8.1);
    assert!(read(&capture, &Settings::default()).flags.is_empty());
}

#[test]
fn a_reading_survives_its_journey_as_text() {
    let reading = read_volts(FS, sine(1000.3, 9_600));
    let text = serde_json::to_string(&reading).unwrap();
    // The series of harmonics stays out of the text; it can be computed again.
    assert!(reading.series.len() > 3 && !text.contains("series"));
    assert_eq!(serde_json::from_str::<Reading>(&text).unwrap(), Reading { series: Vec::new(), ..reading });
}

#[test]
fn another_strong_tone_is_told_from_silence() {
    // Definitions: the commanded frequency holds no tone, but another does; with faint lines everywhere, as the rounding
    // of a converter leaves them.
    let rounded = |parts: &[(f64, f64, f64)]| -> Vec<f64> {
        tones(FS, 96_000, parts).iter().map(|v| f64::from(*v as f32)).collect()
    };
    let alone = rounded(&[(997.0, 0.5, 0.0)]);
    refused(&read(&voltage(FS, alone), &expecting_hz(1200.0)), Flag::WrongFrequency);
    let beside = rounded(&[(997.0, 0.3, 0.0), (1500.0, 0.5, 0.0)]);
    refused(&read(&voltage(FS, beside), &expecting_hz(997.0)), Flag::WrongFrequency);
    // No frequency commanded: nothing in the band but the rounding of a tone above it.
    refused(&read_volts(FS, rounded(&[(31_000.0, 0.5, 0.0)])), Flag::NoSignal);
    // Nor can a tone at half the sample rate be told from its image.
    let edge = Settings { band_hz: (20.0, FS / 2.0), ..Settings::default() };
    refused(&read(&voltage(FS, rounded(&[(47_999.0, 0.5, 0.3)])), &edge), Flag::NoSignal);
}
