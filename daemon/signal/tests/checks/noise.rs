//! Noise and quantisation.

use crate::support::*;
use wattproof_signal::{Capture, Reading, Settings, read};

const FS: f64 = 192_000.0;

fn noisy(hz: f64, peak: f64, sigma: f64, len: usize, seed: u64) -> Reading {
    let mut noise = Noise(seed);
    let volts = tones(FS, len, &[(hz, peak, 0.3)]).iter().map(|v| v + sigma * noise.next()).collect();
    read_volts(FS, volts)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn deviation(values: &[f64]) -> f64 {
    let mean = mean(values);
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() - 1) as f64).sqrt()
}

#[test]
fn thdn_of_white_noise_is_unbiased() {
    // Closed form: white noise of variance σ² holds σ²·2B/fs in a band B. Limit of the project: 1 %.
    let sigma = 0.01;
    let in_band = sigma * (2.0 * 19_980.0 / FS).sqrt();
    for (hz, len) in [(1000.3, 19_200), (101.7, 19_200), (15_003.0, 19_200), (997.0, 1_920), (150.3, 7_030)] {
        let readings: Vec<_> = (1..=200).map(|seed| noisy(hz, 2_f64.sqrt(), sigma, len, seed)).collect();
        let thdn: Vec<f64> = readings.iter().map(|r| r.thdn_pct.unwrap().powi(2)).collect();
        let expected = 100.0 * in_band / (1.0 + in_band * in_band).sqrt();
        assert_rel(Some(mean(&thdn).sqrt()), expected, 0.01, &format!("THD+N at {hz} Hz, {len} samples"));
        let noise: Vec<f64> = readings.iter().map(|r| r.noise_vrms.unwrap().powi(2)).collect();
        assert_rel(Some(mean(&noise).sqrt()), in_band, 0.015, &format!("noise at {hz} Hz, {len} samples"));
        let residue: Vec<f64> = readings.iter().map(|r| r.residue_vrms.unwrap().powi(2)).collect();
        assert_rel(
            Some(mean(&residue).sqrt()),
            sigma * (76_000.0_f64 / 96_000.0).sqrt(),
            0.01,
            "above the band",
        );
    }
}

#[test]
fn stated_uncertainties_match_the_scatter() {
    // Definition of a type A standard uncertainty (JCGM 100:2008, 4.2): the scatter over repeated records,
    // known to 1/√(2·300) = 4 % here; 15 % covers three deviations and the approximations.
    let readings: Vec<_> = (1..=300).map(|seed| noisy(1000.3, 2_f64.sqrt(), 0.02, 9_600, seed)).collect();
    let scatter = |pick: fn(&Reading) -> Option<f64>| {
        deviation(&readings.iter().map(|r| pick(r).unwrap()).collect::<Vec<_>>())
    };
    let stated = |pick: fn(&Reading) -> Option<f64>| {
        mean(&readings.iter().map(|r| pick(r).unwrap()).collect::<Vec<_>>())
    };
    assert_rel(Some(stated(|r| r.u.out_vrms)), scatter(|r| r.out_vrms), 0.15, "u of the rms");
    assert_rel(
        Some(stated(|r| r.u.fundamental_vrms)),
        scatter(|r| r.fundamental_vrms),
        0.15,
        "u of the fundamental",
    );
    assert_rel(Some(stated(|r| r.u.thdn_pct)), scatter(|r| r.thdn_pct), 0.15, "u of THD+N");
}

#[test]
fn quantisation_has_its_theoretical_thdn() {
    // IEEE Std 1241: SINAD = 6.02·N + 1.76 dB at full scale (tests/data/sinad_enob_thd_conversions.json); with
    // the band at half the sample rate nothing of the noise is left out. Limit of the project: 0.2 dB at 16 bit.
    let ideal = table("sinad_enob_thd_conversions");
    for bits in [12_i32, 14, 16, 18] {
        let step = 2.0 / 2_f64.powi(bits);
        let volts = tones(FS, 19_200, &[(1000.37, 1.0 - step, 0.3)])
            .iter()
            .map(|v| (v / step).round() * step)
            .collect();
        let settings = Settings { band_hz: (0.0, FS / 2.0), ..Default::default() };
        let reading = read(&voltage(FS, volts), &settings);
        let sinad_db = -20.0 * (reading.thdn_pct.unwrap() / 100.0).log10();
        let expected = ideal["ideal_snr_db"][bits.to_string()].as_f64().unwrap();
        assert!((sinad_db - expected).abs() < 0.2, "{bits} bit: {sinad_db} dB against {expected} dB");
        let enob = (sinad_db - 10.0 * 1.5_f64.log10()) / (20.0 * 2_f64.log10());
        assert!((enob - f64::from(bits)).abs() < 0.04, "{bits} bit: ENOB {enob}");
    }
}

#[test]
fn sinad_relates_to_thdn_as_defined() {
    // IEEE Std 1241: SINAD in dB is −20·lg of THD+N over the total (tests/data/sinad_enob_thd_conversions.json).
    for row in table("sinad_enob_thd_conversions")["thd_pairs_pct"].as_array().unwrap() {
        let thd_f = row["thd_f_pct"].as_f64().unwrap();
        let reading = read_volts(FS, tones(FS, 19_200, &[(997.3, 1.0, 0.0), (1994.6, thd_f / 100.0, 0.4)]));
        assert_rel(reading.thd_pct, thd_f, 1e-7, "THD_F");
        assert_rel(reading.thdn_pct, row["thd_r_pct"].as_f64().unwrap(), 1e-7, "THD_R, without noise THD+N");
    }
}

#[test]
fn the_stated_uncertainty_of_power_matches_its_scatter() {
    // As above, with noise of its own on the current.
    let readings: Vec<_> = (1..=300)
        .map(|seed| {
            let mut noise = Noise(seed);
            let volts =
                tones(FS, 9_600, &[(1000.3, 10.0, 0.3)]).iter().map(|v| v + 0.1 * noise.next()).collect();
            let amps =
                tones(FS, 9_600, &[(1000.3, 2.5, 0.1)]).iter().map(|i| i + 0.03 * noise.next()).collect();
            let capture = Capture { fs_hz: FS, volts, amps: Some(amps), ..Capture::default() };
            read(&capture, &Settings::default())
        })
        .collect();
    let power: Vec<f64> = readings.iter().map(|r| r.active_w.unwrap()).collect();
    let stated: Vec<f64> = readings.iter().map(|r| r.u.active_w.unwrap()).collect();
    assert_rel(Some(mean(&stated)), deviation(&power), 0.15, "u of the power");
    let expected = 12.5 * 0.2_f64.cos();
    assert!((mean(&power) - expected).abs() < 4.0 * deviation(&power) / 300_f64.sqrt(), "power is unbiased");
}
