//! Weighted noise.

use crate::support::*;
use wattproof_signal::{Capture, Reading, Settings, Weighting, read};

const FS: f64 = 192_000.0;

#[test]
fn a_weighting_is_that_of_the_standard() {
    // IEC 61672-1, formula and table (tests/data/weighting_and_third_octave.json); the table has one decimal.
    let rows = table("weighting_and_third_octave");
    for row in rows["A"]["rows"].as_array().unwrap() {
        let number = |key: &str| row[key].as_f64().unwrap();
        let found = Weighting::A.gain_db(number("exact_hz"));
        assert!((found - number("A_formula_db")).abs() < 1e-9, "{row}: {found} dB");
        assert!((found - number("A_table_db")).abs() < 0.0501, "{row}: {found} dB");
        let nominal = Weighting::A.gain_db(number("nominal_hz"));
        assert!((nominal - number("A_formula_at_nominal_db")).abs() < 1e-9, "{row}: {nominal} dB");
    }
}

#[test]
fn the_noise_weighting_is_within_the_recommendations_tolerances() {
    // ITU-R BS.468-4, table 1 (tests/data/weighting_and_third_octave.json). It allows nothing at 6.3 kHz, where
    // only the rounding of its one decimal is left, and has no lower limit at 31.5 kHz.
    let rows = table("weighting_and_third_octave");
    for row in rows["ITU_R_BS468_4_table1"].as_array().unwrap() {
        let number = |key: &str| row[key].as_f64().unwrap();
        let found = Weighting::Itu468.gain_db(number("f_hz"));
        assert!((found - number("rational_formula_db")).abs() < 1e-6, "{row}: {found} dB");
        let off = found - number("table_db");
        assert!(off <= number("tol_plus_db").max(0.05), "{row}: {off} dB over");
        let below = row["tol_minus_db"].as_f64().unwrap_or(f64::INFINITY);
        assert!(off >= -below.max(0.05), "{row}: {off} dB under");
        assert!(off.abs() < 0.1, "{row}: {off} dB off the nominal curve");
    }
}

/// A tone of 1 V with a faint one beside it, which is no harmonic of it.
fn beside(hz: f64, faint_vrms: f64) -> Reading {
    let tone_hz = if (hz / 997.0 - (hz / 997.0).round()).abs() * 997.0 < 60.0 { 1153.0 } else { 997.0 };
    let volts = tones(FS, 96_000, &[(tone_hz, 1.0, 0.3), (hz, faint_vrms * 2_f64.sqrt(), 1.1)]);
    read(&voltage(FS, volts), &Settings { band_hz: (20.0, 40_000.0), ..Settings::default() })
}

#[test]
fn a_faint_tone_in_the_residue_is_weighted_by_the_tables() {
    // The same tables, seen through a whole reading: limits are the tables' decimal, and the tolerances.
    let rows = table("weighting_and_third_octave");
    for row in
        rows["A"]["rows"].as_array().unwrap().iter().filter(|row| row["nominal_hz"].as_f64() > Some(39.0))
    {
        let reading = beside(row["exact_hz"].as_f64().unwrap(), 1e-3);
        let found = 20.0 * (reading.noise_a_vrms.unwrap() / 1e-3).log10();
        assert!((found - row["A_table_db"].as_f64().unwrap()).abs() < 0.2, "{row}: {found} dB");
    }
    for row in rows["ITU_R_BS468_4_table1"].as_array().unwrap() {
        let reading = beside(row["f_hz"].as_f64().unwrap(), 1e-3);
        let found = 20.0 * (reading.noise_468_vrms.unwrap() / 1e-3).log10();
        assert!((found - row["table_db"].as_f64().unwrap()).abs() < 0.3, "{row}: {found} dB");
    }
}

#[test]
fn weighted_white_noise_is_unbiased() {
    // Closed form: white noise of variance σ² has the density 2σ²/fs; the weighting's square is summed over the
    // band. Even where the fit of 198 harmonics takes half the noise away, limit of the project: 1 %.
    let sigma = 0.01;
    let expected = |weighting: Weighting| {
        let squares: f64 = (0..199_800).map(|n| weighting.gain(20.05 + 0.1 * f64::from(n)).powi(2)).sum();
        sigma * (squares * 0.1 * 2.0 / FS).sqrt()
    };
    for (hz, len) in [(1000.3, 19_200), (101.7, 9_700), (15_003.0, 19_200)] {
        let readings: Vec<_> = (1..=200)
            .map(|seed| {
                let mut noise = Noise(seed);
                let volts =
                    tones(FS, len, &[(hz, 1.0, 0.3)]).iter().map(|v| v + sigma * noise.next()).collect();
                read_volts(FS, volts)
            })
            .collect();
        let rms = |pick: fn(&Reading) -> Option<f64>| {
            (readings.iter().map(|r| pick(r).unwrap().powi(2)).sum::<f64>() / 200.0).sqrt()
        };
        assert_rel(Some(rms(|r| r.noise_a_vrms)), expected(Weighting::A), 0.01, "A-weighted");
        assert_rel(Some(rms(|r| r.noise_468_vrms)), expected(Weighting::Itu468), 0.01, "weighted to BS.468");
    }
}

#[test]
fn a_record_that_cannot_tell_weighted_noise_does_not() {
    // Project definition: below 20 kHz there is a part of the curve unseen, under 50 ms lines are too coarse.
    let weighted = |fs: f64, len: usize| {
        let reading = read(
            &Capture { fs_hz: fs, volts: tones(fs, len, &[(1000.3, 1.0, 0.3)]), ..Capture::default() },
            &Settings::default(),
        );
        assert!(reading.noise_vrms.is_some());
        assert_eq!(reading.noise_a_vrms.is_some(), reading.noise_468_vrms.is_some());
        reading.noise_a_vrms.is_some()
    };
    assert!(weighted(44_100.0, 4_410) && weighted(48_000.0, 2_400));
    assert!(!weighted(32_000.0, 3_200), "ends at 16 kHz");
    assert!(!weighted(48_000.0, 2_000), "lines of 24 Hz");
}
