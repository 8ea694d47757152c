//! Waveforms with a closed-form distortion, band-limited as a converter would: infinite series fold back.

use std::f64::consts::PI;

use crate::support::*;
use wattproof_signal::{Capture, Settings, read};

const FS: f64 = 192_000.0;

fn square(n: usize) -> f64 {
    if n % 2 == 1 { 4.0 / (PI * n as f64) } else { 0.0 }
}

fn sawtooth(n: usize) -> f64 {
    2.0 / (PI * n as f64) * if n % 2 == 1 { 1.0 } else { -1.0 }
}

fn triangle(n: usize) -> f64 {
    let sign = if n % 4 == 1 { 1.0 } else { -1.0 };
    if n % 2 == 1 { sign * 8.0 / (PI * n as f64).powi(2) } else { 0.0 }
}

#[test]
fn square_triangle_and_sawtooth_within_the_audio_band() {
    // Partial sums of the Fourier series to the 20th harmonic.
    for (name, peak) in
        [("square", square as fn(usize) -> f64), ("triangle", triangle), ("sawtooth", sawtooth)]
    {
        let reading = read_volts(FS, series(FS, 19_200, 987.65, peak));
        assert_rel(reading.thd_pct, partial_thd_pct(20, peak), 1e-6, name);
        let beyond: f64 = (21..=96).map(|n| peak(n).powi(2) / 2.0).sum();
        assert_rel(reading.residue_vrms, beyond.sqrt(), 1e-4, "harmonics above the band are residue");
        let square = |n: usize| peak(n).powi(2);
        let even = (2..=20).step_by(2).map(square).sum::<f64>() / (2..=20).map(square).sum::<f64>();
        assert!(
            (reading.even_share.unwrap() - even).abs() < 1e-9,
            "{name}: even share {:?}",
            reading.even_share
        );
    }
}

#[test]
fn square_triangle_and_sawtooth_in_a_wide_band() {
    // Closed forms: Blagouchine & Moreau, IEEE Trans. Commun. 2011 (tests/data/waveform_thd.json). With 950
    // harmonics the tail left out is √(Σ n⁻²) ≈ √(1/950): the partial sum is the strict check.
    let table = table("waveform_thd");
    for (name, peak, tolerance) in [
        ("square (50 % duty)", square as fn(usize) -> f64, 1.5e-3),
        ("triangle (symmetric)", triangle, 1e-6),
        ("sawtooth", sawtooth, 1.5e-3),
    ] {
        let hz = 101.03;
        let reading = read(&voltage(FS, series(FS, 24_000, hz, peak)), &wide(FS));
        let last = (FS / 2.0 / hz - 0.5) as usize;
        assert_rel(reading.thd_pct, partial_thd_pct(last, peak), 1e-6, name);
        assert_rel(reading.thd_pct, table[name]["thd_f_pct"].as_f64().unwrap(), tolerance, name);
    }
}

#[test]
fn symmetric_hard_clipping_follows_its_closed_form() {
    // tests/data/hard_clip_sine.json; limit of the project: 0.1 % of reading from 0.01 % to 40 %.
    let table = table("hard_clip_sine");
    let rows =
        table["table"].as_array().unwrap().iter().chain(table["thd_targets"].as_object().unwrap().values());
    let mut checked = 0;
    for row in rows {
        let number = |name: &str| row[name].as_f64().unwrap();
        let (r, thd_pct) = (number("rail_over_peak"), number("thd_f_pct"));
        if !(0.0099..=40.0).contains(&thd_pct) {
            continue;
        }
        checked += 1;
        let peak = |n: usize| 30.0 * clip_coefficient(r, n);
        let reading = read(&voltage(FS, series(FS, 24_000, 101.03, peak)), &wide(FS));
        assert_rel(reading.thd_pct, thd_pct, 1e-3, &format!("THD at r = {r}"));
        assert_rel(reading.fundamental_vrms, 30.0 / 2_f64.sqrt() * number("b1_over_A"), 1e-5, "fundamental");
        assert_rel(reading.out_vrms, 30.0 * number("rms_over_A"), 1e-4, "rms");
        // The same in the audio band at 1 kHz, against the table's own band-limited column (H2 to H19).
        let reading = read_volts(FS, series(FS, 19_200, 1000.3, peak));
        assert_rel(reading.thd_pct, number("thd_f_pct_H2_H19"), 1e-5, "THD to the 19th");
    }
    assert!(checked >= 20, "only {checked} rows of the table were in range");
}

#[test]
fn asymmetric_clipping_has_the_table_s_harmonics() {
    // tests/data/asym_clip.json: dc and cosine coefficients 0 to 9.
    for case in table("asym_clip")["cases"].as_array().unwrap() {
        let c: Vec<f64> =
            case["dc_and_cos_coeffs_n0_9"].as_array().unwrap().iter().map(|c| c.as_f64().unwrap()).collect();
        let parts: Vec<_> = (1..10).map(|n| (n as f64 * 1000.3, c[n], PI / 2.0)).collect();
        let volts = tones(FS, 19_200, &parts).iter().map(|v| v + c[0]).collect();
        let reading = read_volts(FS, volts);
        assert!((reading.dc_v.unwrap() - c[0]).abs() < 1e-9);
        for order in [2, 3] {
            let expected = case[format!("H{order}_over_H1_pct")].as_f64().unwrap();
            assert!((reading.harmonics_pct[order - 2] - expected).abs() < 1e-6, "harmonic {order}");
        }
        let square = |n: usize| c[n] * c[n];
        let even = [2, 4, 6, 8].map(square).iter().sum::<f64>() / (2..10).map(square).sum::<f64>();
        assert!((reading.even_share.unwrap() - even).abs() < 1e-9);
    }
}

#[test]
fn a_cubic_law_has_its_algebraic_distortion() {
    // tests/data/polynomial_distortion.json: y = x − a·x³ of a sine makes only a third harmonic.
    for row in table("polynomial_distortion")["cubic_table"].as_array().unwrap() {
        let a = row["aA2"].as_f64().unwrap();
        let volts =
            tones(FS, 19_200, &[(1013.3, 1.0, 0.4)]).iter().map(|x| 20.0 * (x - a * x.powi(3))).collect();
        let reading = read_volts(FS, volts);
        assert_rel(reading.thd_pct, row["thd_f_pct"].as_f64().unwrap(), 1e-7, "cubic THD");
        assert_rel(
            reading.fundamental_vrms,
            20.0 / 2_f64.sqrt() * row["H1_over_A"].as_f64().unwrap(),
            1e-9,
            "H1",
        );
    }
}

#[test]
fn a_square_law_makes_dc_and_a_second_harmonic() {
    // tests/data/polynomial_distortion.json: y = x + b·x²: dc bA²/2, THD_F bA/2.
    let b = 0.03;
    let volts = tones(FS, 19_200, &[(1013.3, 2.0, 0.4)]).iter().map(|x| x + b * x * x).collect();
    let reading = read_volts(FS, volts);
    assert_rel(reading.dc_v, b * 2.0, 1e-9, "dc");
    assert_rel(reading.thd_pct, 100.0 * b, 1e-7, "THD");
    assert!(reading.even_share.unwrap() > 1.0 - 1e-9);
}

#[test]
fn shape_tells_a_sine_from_a_clipped_one() {
    // Crest √2 (definition); share near the peak (2/π)·acos 0.99.
    let sine = read_volts(FS, tones(FS, 19_200, &[(997.0, 10.0, 0.0)]));
    assert_rel(sine.crest_factor, 2_f64.sqrt(), 1e-5, "crest");
    assert_rel(sine.flat_top_pct, 9.0107, 0.01, "flat top of a sine");
    let clipped = tones(FS, 19_200, &[(997.0, 10.0, 0.0)]).iter().map(|v| v.clamp(-8.0, 8.0)).collect();
    let clipped = read_volts(FS, clipped);
    // (2/π)·acos(0.99·0.8)
    assert_rel(
        clipped.flat_top_pct,
        200.0 / PI * (0.99_f64 * 0.8).acos(),
        0.01,
        "flat top of a clipped sine",
    );
    assert_rel(clipped.out_vpk, 8.0, 1e-12, "peak");
}

#[test]
fn a_peak_between_sparse_samples_is_found() {
    // Definition: the peak of a sine is its amplitude, even where four samples a cycle all miss it.
    let reading = read_volts(48_000.0, tones(48_000.0, 4_800, &[(12_000.0, 5.0, PI / 4.0)]));
    assert_rel(reading.out_vpk, 5.0, 0.01, "peak");
}

#[test]
fn harmonics_can_be_limited_in_number() {
    // Definition (settings): thd_pct to the third harmonic only; THD+N keeps all.
    let parts = [(997.0, 10.0, 0.0), (1994.0, 0.3, 0.0), (2991.0, 0.4, 1.0), (3988.0, 1.2, 1.0)];
    let capture: Capture = voltage(FS, tones(FS, 19_200, &parts));
    let reading = read(&capture, &Settings { harmonics_max: Some(3), ..Settings::default() });
    assert_rel(reading.thd_pct, 5.0, 1e-6, "THD");
    assert_eq!(reading.harmonics_pct.len(), 2);
    let rest: f64 = 0.09 + 0.16 + 1.44;
    assert_rel(reading.thdn_pct, 100.0 * (rest / (100.0 + rest)).sqrt(), 1e-6, "THD+N");
}

#[test]
fn a_tone_without_harmonics_in_the_band_has_no_thd() {
    // Definition: the second harmonic of 15 kHz lies above 20 kHz; what was not looked at is absent, not 0.
    let reading = read_volts(FS, tones(FS, 19_200, &[(15_000.7, 10.0, 0.0), (30_001.4, 0.1, 0.0)]));
    assert_eq!((reading.thd_pct, reading.even_share, reading.harmonics_pct.len()), (None, None, 0));
    assert!(reading.thdn_pct.unwrap() < 1e-6);
    assert_rel(reading.residue_vrms, 0.1 / 2_f64.sqrt(), 1e-6, "residue");
}

#[test]
fn a_harmonic_between_the_band_s_edge_and_half_the_sample_rate_is_found() {
    // Synthesis: the second harmonic of 9.7 kHz lies within the audio band, and near half of 44.1 kHz; for the short
    // record nearer still.
    for (fs, len, hz) in [(44_100.0, 8_820, 9_700.3), (44_100.0, 100, 9_700.3), (48_000.0, 9_600, 9_990.0)] {
        let reading = read_volts(fs, tones(fs, len, &[(hz, 10.0, 0.3), (2.0 * hz, 0.02, 1.0)]));
        assert_rel(reading.thd_pct, 0.2, 1e-5, "THD");
        assert_eq!(reading.harmonics_pct.len(), 1);
    }
}
