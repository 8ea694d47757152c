//! Two tones through polynomial stages.

use crate::support::*;
use proptest::prelude::*;
use wattproof_signal::{Capture, Flag, TwoToneKind, TwoToneReading, TwoToneSettings, read_two_tone};

const FS: f64 = 192_000.0;

/// y = x + b·x² − a·x³ of two sines.
fn stage(len: usize, low: (f64, f64), high: (f64, f64), b: f64, a: f64) -> Vec<f64> {
    let input = tones(FS, len, &[(low.0, low.1, 0.4), (high.0, high.1, 1.3)]);
    input.iter().map(|x| x + b * x * x - a * x * x * x).collect()
}

fn assert_db(found: Option<f64>, expected: f64, what: &str) {
    let db = 20.0 * (found.unwrap_or_else(|| panic!("{what} is absent")) / expected).log10();
    assert!(db.abs() < 0.01, "{what}: {found:?} against {expected}, {db} dB");
}

fn vrms(reading: &TwoToneReading, low_order: i32, high_order: i32) -> Option<f64> {
    let same = |p: &&wattproof_signal::intermodulation::Product| {
        let sign = if p.low_order == low_order && p.high_order == high_order { 1 } else { -1 };
        (p.low_order, p.high_order) == (sign * low_order, sign * high_order)
    };
    reading.products.iter().find(same).map(|p| p.vrms)
}

#[test]
fn the_methods_have_their_published_tones() {
    // SMPTE RP 120 and IEC 60268-3 (tests/data/power_rating_parameters.json).
    let tones = &table("power_rating_parameters")["imd"];
    for (name, settings) in [("SMPTE", TwoToneSettings::smpte()), ("CCIF_ITU", TwoToneSettings::twin_tone())]
    {
        assert_eq!(tones[name][0].as_f64(), Some(settings.low_hz));
        assert_eq!(tones[name][1].as_f64(), Some(settings.high_hz));
    }
}

#[test]
fn a_low_tone_modulates_a_high_one_as_computed() {
    // Algebra of a polynomial stage (tests/data/polynomial_distortion.json, smpte_case), also with the tones of
    // the 250 Hz and 8 kHz method and with sources that run off their frequency.
    let case = &table("polynomial_distortion")["smpte_case"];
    let number = |key: &str| case[key].as_f64().unwrap();
    let (a1, a2) = (number("A1"), number("A2"));
    let other = &table("power_rating_parameters")["imd"]["DIN"];
    let (din_low, din_high) = (other[0].as_f64().unwrap(), other[1].as_f64().unwrap());
    for (low, high, len) in [
        (60.0, 7000.0, 96_000),
        (60.0137, 6998.77, 96_000),
        (59.93, 7003.1, 17_011),
        (din_low, din_high, 19_200),
        (din_low * 1.0007, din_high * 0.9991, 19_999),
    ] {
        let settings = TwoToneSettings { low_hz: low.round(), high_hz: high, ..TwoToneSettings::smpte() };
        let volts = stage(len, (low, a1), (high, a2), number("b"), number("a"));
        let reading = read_two_tone(&voltage(FS, volts), &settings);
        assert!(reading.flags.is_empty(), "{:?}", reading.flags);
        let tone = number("f2_amp");
        let root = 2_f64.sqrt();
        assert_rel(reading.low_hz, low, 1e-7, "lower frequency");
        assert_rel(reading.high_hz, high, 1e-8, "higher frequency");
        assert_db(reading.high_vrms, tone / root, "the tone");
        let (first, second) = (number("each_f2+-f1"), number("each_f2+-2f1"));
        assert_db(vrms(&reading, 1, 1), first / root, "f2+f1");
        assert_db(vrms(&reading, -1, 1), first / root, "f2-f1");
        assert_db(vrms(&reading, 2, 1), second / root, "f2+2f1");
        assert_db(vrms(&reading, -2, 1), second / root, "f2-2f1");
        assert_db(reading.second_order_pct, 200.0 * first / tone, "second order");
        assert_db(reading.third_order_pct, 200.0 * second / tone, "third order");
        let modulation = number("imd_pct_AM_peak_sum(pairs summed linearly, rss over orders)");
        assert_db(reading.imd_pct, modulation, "amplitude modulation");
        assert_db(reading.sidebands_rss_pct, number("imd_pct_rss_of_4_sidebands"), "sidebands");
    }
}

#[test]
fn twin_tones_differ_as_computed() {
    // Algebra of a polynomial stage (tests/data/polynomial_distortion.json, dfd_case).
    let case = &table("polynomial_distortion")["dfd_case"];
    let number = |key: &str| case[key].as_f64().unwrap();
    for (low, high, len) in [
        (19_000.0, 20_000.0, 19_200),
        (19_003.71, 19_998.13, 19_200),
        (18_990.3, 20_011.9, 1_237),
        (19_000.9, 19_999.3, 131_072),
    ] {
        let tone = (number("A"), number("tone"));
        let volts = stage(len, (low, tone.0), (high, tone.0), number("b"), number("a"));
        let reading = read_two_tone(&voltage(FS, volts), &TwoToneSettings::twin_tone());
        assert!(reading.flags.is_empty(), "{:?}", reading.flags);
        assert_rel(reading.low_hz, low, 1e-8, "lower frequency");
        assert_db(reading.low_vrms, tone.1 / 2_f64.sqrt(), "lower tone");
        assert_db(reading.high_vrms, tone.1 / 2_f64.sqrt(), "higher tone");
        assert_rel(reading.tone_ratio, 1.0, 1e-6, "ratio of the tones");
        let (second, third) = (50.0 * number("f2-f1") / tone.1, 100.0 * number("each_2f1-f2") / tone.1);
        assert_db(reading.second_order_pct, second, "second order");
        assert_db(reading.third_order_pct, third, "third order");
        assert_db(reading.imd_pct, second.hypot(third), "both");
    }
}

#[test]
fn a_narrow_band_leaves_the_third_order_untold() {
    // Project definition: a product outside the band is absent, and so is what needs it.
    let settings = TwoToneSettings { band_hz: (20.0, 20_000.0), ..TwoToneSettings::twin_tone() };
    let volts = stage(19_200, (19_000.0, 0.5), (20_000.0, 0.5), 0.01, 0.02);
    let reading = read_two_tone(&voltage(FS, volts), &settings);
    assert!(reading.second_order_pct.is_some());
    assert_eq!((reading.third_order_pct, reading.imd_pct), (None, None));
}

#[test]
fn faint_products_are_exact_to_minus_120_db() {
    // Closed form: y = x + b·x² − a·x³ (tests/data/polynomial_distortion.json, two_tone).
    for level_db in [-40.0, -80.0, -100.0, -120.0] {
        let share = 10_f64.powf(level_db / 20.0);
        // Each product at `share` of a tone: twin tones b·A² and 3/4·a·A³.
        let (peak, b, a) = (0.5, share / 0.5, share / (0.75 * 0.25));
        let volts = stage(19_200, (19_003.71, peak), (19_998.13, peak), b, a);
        let reading = read_two_tone(&voltage(FS, volts), &TwoToneSettings::twin_tone());
        let rms = share * peak / 2_f64.sqrt();
        for (low, high) in [(-1, 1), (2, -1), (-1, 2)] {
            assert_db(vrms(&reading, low, high), rms, &format!("{low}, {high} at {level_db} dB"));
        }
        // SMPTE: b·A1·A2 and 3/4·a·A1²·A2 against A2.
        let (b, a) = (share / 0.8, share / (0.75 * 0.64));
        let volts = stage(96_000, (60.0137, 0.8), (6998.77, 0.2), b, a);
        let reading = read_two_tone(&voltage(FS, volts), &TwoToneSettings::smpte());
        for low in [-2, -1, 1, 2] {
            assert_db(
                vrms(&reading, low, 1),
                share * 0.2 / 2_f64.sqrt(),
                &format!("{low}, 1 at {level_db} dB"),
            );
        }
    }
}

#[test]
fn products_beyond_the_model_leave_those_within_alone() {
    // A stage without memory makes the same products at any frequency: the plain Fourier sums of a coherent record
    // tell those of a record that is not. Its ninth order reaches beyond the model's.
    let fs = 500_000.0;
    let through = |len: usize, low: (f64, f64), high: (f64, f64)| -> Vec<f64> {
        let input = tones(fs, len, &[(low.0, low.1, 0.4), (high.0, high.1, 1.3)]);
        input
            .iter()
            .map(|x| x - 0.05 * x.powi(2) - 0.1 * x.powi(3) + 0.08 * x.powi(8) + 0.1 * x.powi(9))
            .collect()
    };
    let peak = |samples: &[f64], hz: f64| {
        let part = |turn: fn(f64) -> f64| -> f64 {
            let angle = |n: usize| (hz / fs * n as f64).fract() * std::f64::consts::TAU;
            samples.iter().enumerate().map(|(n, v)| v * turn(angle(n))).sum()
        };
        2.0 * part(f64::cos).hypot(part(f64::sin)) / samples.len() as f64
    };
    let coherent = through(25_000, (19_000.0, 0.5), (20_000.0, 0.5));
    let both = peak(&coherent, 19_000.0) + peak(&coherent, 20_000.0);
    let reading = read_two_tone(
        &voltage(fs, through(30_011, (19_003.71, 0.5), (19_998.13, 0.5))),
        &TwoToneSettings::twin_tone(),
    );
    assert_db(reading.second_order_pct, 100.0 * peak(&coherent, 1000.0) / both, "second order");
    let third = peak(&coherent, 18_000.0) + peak(&coherent, 21_000.0);
    assert_db(reading.third_order_pct, 100.0 * third / both, "third order");
    assert_db(vrms(&reading, 4, -3), peak(&coherent, 16_000.0) / 2_f64.sqrt(), "seventh order");

    let coherent = through(25_000, (60.0, 0.8), (7000.0, 0.2));
    let reading = read_two_tone(
        &voltage(fs, through(60_011, (60.0137, 0.8), (6998.77, 0.2))),
        &TwoToneSettings::smpte(),
    );
    let tone = peak(&coherent, 7000.0);
    let pair =
        |k: f64| 100.0 * (peak(&coherent, 7000.0 - 60.0 * k) + peak(&coherent, 7000.0 + 60.0 * k)) / tone;
    assert_db(reading.second_order_pct, pair(1.0), "second order");
    assert_db(reading.third_order_pct, pair(2.0), "third order");
    let all = (1..=8).map(|k| pair(f64::from(k)).powi(2)).sum::<f64>().sqrt();
    assert_db(reading.imd_pct, all, "amplitude modulation");
}

#[test]
fn phase_modulation_is_not_amplitude_modulation() {
    // Definition: sin(ωt + m·sin Ωt) has a constant envelope; a·(1 + m·sin Ωt) is modulated by m.
    let at = |n: usize| n as f64 / FS * std::f64::consts::TAU;
    let low = |n: usize| 0.8 * (60.0 * at(n)).sin();
    let phase: Vec<f64> =
        (0..96_000).map(|n| low(n) + 0.2 * (7000.0 * at(n) + 0.02 * (60.0 * at(n)).sin()).sin()).collect();
    let level: Vec<f64> = (0..96_000)
        .map(|n| low(n) + 0.2 * (7000.0 * at(n)).sin() * (1.0 + 0.02 * (60.0 * at(n) + 0.7).sin()))
        .collect();
    let phase = read_two_tone(&voltage(FS, phase), &TwoToneSettings::smpte());
    let level = read_two_tone(&voltage(FS, level), &TwoToneSettings::smpte());
    assert!(phase.imd_pct.unwrap() < 0.03, "{:?}", phase.imd_pct);
    assert_rel(phase.second_order_pct, 2.0, 1e-3, "sum of the sidebands of phase modulation");
    assert_rel(level.imd_pct, 2.0, 1e-6, "amplitude modulation");
}

#[test]
fn noise_scatters_intermodulation_as_stated() {
    // Definition of a type A uncertainty (JCGM 100:2008, 4.2); 200 records know it to 5 %; limit 20 %.
    let smpte =
        (TwoToneSettings::smpte(), stage(19_200, (60.0, 0.8), (7000.0, 0.2), 0.01, 0.02), 2.54976524820458);
    let twin = stage(19_200, (19_000.0, 0.5), (20_000.0, 0.5), 0.01, 0.02);
    let twin = (TwoToneSettings::twin_tone(), twin, 0.252844500632_f64.hypot(0.379266750948));
    for (settings, clean, expected) in [smpte, twin] {
        let readings: Vec<_> = (1..=200)
            .map(|seed| {
                let mut noise = Noise(seed);
                let volts = clean.iter().map(|v| v + 1e-3 * noise.next()).collect();
                read_two_tone(&voltage(FS, volts), &settings)
            })
            .collect();
        let values: Vec<f64> = readings.iter().map(|r| r.imd_pct.unwrap()).collect();
        let mean = values.iter().sum::<f64>() / 200.0;
        let scatter = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 199.0).sqrt();
        let stated = readings.iter().map(|r| r.u_imd_pct.unwrap()).sum::<f64>() / 200.0;
        assert_rel(Some(stated), scatter, 0.2, "u of the intermodulation");
        assert_rel(Some(mean), expected, 0.01, "intermodulation");
        let noise = readings.iter().map(|r| r.noise_vrms.unwrap().powi(2)).sum::<f64>() / 200.0;
        let width = settings.band_hz.1 - settings.band_hz.0;
        assert_rel(Some(noise.sqrt()), 1e-3 * (2.0 * width / FS).sqrt(), 0.02, "noise");
    }
}

#[test]
fn what_cannot_be_told_is_refused() {
    // Project definition (measurement design, section 1).
    let smpte = TwoToneSettings::smpte();
    let good = stage(19_200, (60.0, 0.8), (7000.0, 0.2), 0.01, 0.02);
    let flags = |capture: &Capture, settings: &TwoToneSettings| {
        let reading = read_two_tone(capture, settings);
        assert!(!reading.is_refused() || reading.high_vrms.is_none() && reading.products.is_empty());
        reading.flags
    };
    assert_eq!(flags(&voltage(FS, good.clone()), &smpte), []);
    assert_eq!(flags(&voltage(FS, Vec::new()), &smpte), [Flag::MissingSamples]);
    assert_eq!(flags(&voltage(FS, vec![0.0; 19_200]), &smpte), [Flag::NoSignal]);
    assert_eq!(flags(&voltage(FS, good[..12_000].to_vec()), &smpte), [Flag::TooShort]);
    let mut bad = good.clone();
    bad[77] = f64::NAN;
    assert_eq!(flags(&voltage(FS, bad), &smpte), [Flag::InvalidSamples]);
    let swapped = TwoToneSettings { low_hz: 7000.0, high_hz: 60.0, ..smpte.clone() };
    assert_eq!(flags(&voltage(FS, good.clone()), &swapped), [Flag::InvalidSamples]);
    let mut noise = Noise(1);
    let one = tones(FS, 19_200, &[(60.0, 0.8, 0.0)]).iter().map(|v| v + 1e-4 * noise.next()).collect();
    assert_eq!(flags(&voltage(FS, one), &smpte), [Flag::WrongFrequency]);
    let twin = stage(900, (19_000.0, 0.5), (20_000.0, 0.5), 0.01, 0.02);
    assert_eq!(flags(&voltage(FS, twin), &TwoToneSettings::twin_tone()), [Flag::TooShort]);
    let over =
        Capture { volts_full_scale: Some(0.5), ..voltage(FS, good.iter().map(|v| v.min(0.5)).collect()) };
    assert_eq!(flags(&over, &smpte), [Flag::AdcOverrange]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_capture_makes_it_panic(
        fs_hz in prop_oneof![prop::num::f64::ANY, 1e-3..1e6_f64],
        mut volts in prop::collection::vec(prop_oneof![30 => -1.0..1.0_f64, 1 => prop::num::f64::ANY], 0..300),
        clean in any::<bool>(),
        low_hz in prop_oneof![prop::num::f64::ANY, 1.0..1e4_f64],
        high_hz in prop_oneof![prop::num::f64::ANY, 1.0..1e5_f64],
        smpte in any::<bool>(),
    ) {
        if clean {
            volts.retain(|v| v.abs() <= 1.0);
            volts.extend(tones(fs_hz, 2_000, &[(low_hz, 5.0, 0.1), (high_hz, 4.0, 0.2)]));
        }
        let kind = if smpte { TwoToneKind::Smpte } else { TwoToneKind::TwinTone };
        let settings = TwoToneSettings { low_hz, high_hz, kind, band_hz: (20.0, 20_000.0) };
        let reading = read_two_tone(&voltage(fs_hz, volts), &settings);
        prop_assert!(!reading.is_refused() || reading.imd_pct.is_none());
    }

    #[test]
    fn no_two_tones_make_it_panic(
        low in 1e-3..0.5_f64,
        high in 1e-3..0.5_f64,
        len in 0_usize..3_000,
        smpte in any::<bool>(),
    ) {
        let (low_hz, high_hz) = (low.min(high) * FS, low.max(high) * FS);
        let kind = if smpte { TwoToneKind::Smpte } else { TwoToneKind::TwinTone };
        let settings = TwoToneSettings { low_hz, high_hz, kind, band_hz: (0.0, FS) };
        let volts = tones(FS, len, &[(low_hz, 1.0, 0.1), (high_hz, 0.5, 0.2)]);
        let reading = read_two_tone(&voltage(FS, volts), &settings);
        if let Some(ratio) = reading.tone_ratio {
            prop_assert!((ratio / 2.0 - 1.0).abs() < 1e-3, "{low_hz} and {high_hz} Hz: {ratio}");
        }
    }
}
