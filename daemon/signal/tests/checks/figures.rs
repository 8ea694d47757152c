//! The accuracy that readings promise (measurement design, section 3), one test a figure, each over many records drawn
//! at random: sample rates of 8 kHz to 2 MHz, odd lengths, ten cycles to thousands, coherent with the clock and not.
//! Expected values are the synthesis' own unless a source is named.

use std::f64::consts::TAU;

use crate::support::*;
use wattproof_signal::{Capture, Reading, Settings, read};

/// One record's circumstances.
struct Record {
    fs: f64,
    len: usize,
    hz: f64,
    settings: Settings,
}

/// Draws a record of at least ten cycles and four samples a cycle; the band reaches to half the sample rate.
fn record(draw: &mut Draw) -> Record {
    let fs = draw.pick(&[8_000.0, 11_025.0, 44_100.0, 48_000.0, 96_000.0, 125_000.0, 192_000.0, 1e6, 2e6]);
    let len = draw.between(1_500.0, 9_000.0) as usize;
    let cycles = (10.0_f64.ln() + draw.between(0.0, 1.0) * (len as f64 / 42.0).ln()).exp();
    let cycles = if draw.between(0.0, 1.0) < 0.2 { cycles.round() } else { cycles };
    let hz = cycles * fs / len as f64;
    let band_hz = (hz / 3.0, fs / 2.0);
    let expected_hz = (draw.between(0.0, 1.0) < 0.5).then_some(hz * draw.between(0.997, 1.003));
    Record { fs, len, hz, settings: Settings { band_hz, expected_hz, ..Settings::default() } }
}

/// Peak and phase of harmonics 1…n below half the sample rate; the level of the others falls with the order.
fn harmonics(draw: &mut Draw, record: &Record, peak: f64) -> Vec<(f64, f64, f64)> {
    let mut parts = vec![(record.hz, peak, draw.between(-3.1, 3.1))];
    for order in 2..=5 {
        let hz = f64::from(order) * record.hz;
        if hz < 0.46 * record.fs {
            let share = 10_f64.powf(draw.between(-6.0, -0.7));
            parts.push((hz, peak * share, draw.between(-3.1, 3.1)));
        }
    }
    parts
}

fn read_record(record: &Record, volts: Vec<f64>) -> Reading {
    let reading = read(&voltage(record.fs, volts), &record.settings);
    assert!(
        reading.flags.is_empty(),
        "{:?} at {} Hz of {} Hz, {}",
        reading.flags,
        record.hz,
        record.fs,
        record.len
    );
    reading
}

#[test]
fn amplitude_within_1e_5_frequency_within_1e_7_phase_within_a_thousandth_of_a_degree() {
    let mut draw = Draw::new(1);
    for case in 0..400 {
        let record = record(&mut draw);
        let peak = 10_f64.powf(draw.between(-3.0, 2.0));
        let parts = harmonics(&mut draw, &record, peak);
        let dc = peak * draw.between(-1.0, 1.0);
        let volts = tones(record.fs, record.len, &parts).iter().map(|v| v + dc).collect();
        let reading = read_record(&record, volts);
        let what =
            |name| format!("{name} of case {case}: {} Hz of {} Hz, {}", record.hz, record.fs, record.len);
        assert_rel(reading.fundamental_vrms, peak / 2_f64.sqrt(), 1e-5, &what("amplitude"));
        assert_rel(reading.fundamental_hz, record.hz, 1e-7, &what("frequency"));
        // A sine of phase φ is a cosine of phase φ − 90°.
        let off = reading.fundamental_phase_deg.unwrap() - (parts[0].2.to_degrees() - 90.0);
        let off = off - 360.0 * (off / 360.0).round();
        assert!(off.abs() < 1e-3, "{}: off by {off}°", what("phase"));
        let ms: f64 = dc * dc + parts.iter().map(|(_, peak, _)| peak * peak / 2.0).sum::<f64>();
        assert_rel(reading.out_vrms, ms.sqrt(), 1e-5, &what("true rms"));
        assert!((reading.dc_v.unwrap() - dc).abs() < 1e-5 * peak, "{}", what("dc"));
    }
}

#[test]
fn active_power_within_2e_5() {
    let mut draw = Draw::new(2);
    for case in 0..300 {
        let record = record(&mut draw);
        let turned = draw.between(-1.2, 1.2);
        let (volts, mut amps) = (harmonics(&mut draw, &record, 28.0), harmonics(&mut draw, &record, 7.0));
        amps[0].2 = volts[0].2 - turned;
        let watts: f64 = volts.iter().zip(&amps).map(|(v, i)| v.1 * i.1 / 2.0 * (v.2 - i.2).cos()).sum();
        let square = |parts: &[(f64, f64, f64)]| parts.iter().map(|part| part.1 * part.1 / 2.0).sum::<f64>();
        let capture = Capture {
            fs_hz: record.fs,
            volts: tones(record.fs, record.len, &volts),
            amps: Some(tones(record.fs, record.len, &amps)),
            ..Capture::default()
        };
        let reading = read(&capture, &record.settings);
        let what =
            |name| format!("{name} of case {case}: {} Hz of {} Hz, {}", record.hz, record.fs, record.len);
        assert_rel(reading.active_w, watts, 2e-5, &what("active power"));
        assert_rel(
            reading.apparent_va,
            (square(&volts) * square(&amps)).sqrt(),
            2e-5,
            &what("apparent power"),
        );
        assert_rel(
            reading.fundamental_active_w,
            98.0 * turned.cos(),
            2e-5,
            &what("power of the fundamentals"),
        );
        assert!((reading.phase_deg.unwrap() - turned.to_degrees()).abs() < 1e-3, "{}", what("phase"));
    }
}

#[test]
fn each_harmonic_above_minus_140_db_within_a_hundredth_of_a_db() {
    let mut draw = Draw::new(3);
    let mut checked = 0;
    for case in 0..200 {
        let record = record(&mut draw);
        let highest = ((0.5 * record.fs / record.hz - 0.6) as usize).min(24);
        let levels: Vec<f64> =
            (0..=highest).map(|order| if order < 2 { 0.0 } else { draw.between(-140.0, -20.0) }).collect();
        let parts: Vec<_> = (1..=highest)
            .map(|order| {
                (order as f64 * record.hz, 10_f64.powf(levels[order] / 20.0), draw.between(-3.0, 3.0))
            })
            .collect();
        let reading = read_record(&record, tones(record.fs, record.len, &parts));
        for (order, level) in levels.iter().enumerate().skip(2) {
            let found = reading.harmonics_db[order - 2].unwrap();
            let off = found - level;
            assert!(
                off.abs() < 0.01,
                "case {case}, harmonic {order}: {found} dB against {} dB",
                levels[order]
            );
            let pct = reading.harmonics_pct[order - 2];
            assert!((20.0 * (pct / 100.0).log10() - found).abs() < 1e-9);
            checked += 1;
        }
    }
    assert!(checked > 2_000, "only {checked} harmonics were checked");
}

#[test]
fn the_floor_of_thd_below_minus_150_db() {
    let mut draw = Draw::new(4);
    let floor_pct = 100.0 * 10_f64.powf(-150.0 / 20.0);
    for case in 0..400 {
        let record = record(&mut draw);
        let volts = tones(record.fs, record.len, &[(record.hz, 28.0, draw.between(-3.1, 3.1))]);
        let reading = read_record(&record, volts);
        for (name, found) in [("THD", reading.thd_pct), ("THD+N", reading.thdn_pct)] {
            assert!(found.is_none_or(|pct| pct < floor_pct), "case {case}: {name} {found:?} %");
        }
    }
}

#[test]
fn thdn_of_16_bits_within_two_tenths_of_a_db() {
    // IEEE Std 1241: a step q leaves noise of q²/12, spread evenly up to half the sample rate.
    let mut draw = Draw::new(5);
    for case in 0..60 {
        let fs = draw.pick(&[44_100.0, 48_000.0, 96_000.0, 192_000.0]);
        let (hz, peak) = (draw.between(60.0, 6_000.0), draw.between(0.25, 0.999));
        let volts = tones(fs, 40_000, &[(hz, peak, draw.between(-3.0, 3.0))]);
        let volts = volts.iter().map(|v| (v * 32_768.0).round() / 32_768.0).collect();
        let reading = read(&voltage(fs, volts), &Settings::default());
        let noise_ms = 1.0 / 32_768_f64.powi(2) / 12.0 * 19_980.0 / (fs / 2.0);
        let expected_db = 10.0 * (noise_ms / (peak * peak / 2.0)).log10();
        let found_db = 20.0 * (reading.thdn_pct.unwrap() / 100.0).log10();
        assert!(
            (found_db - expected_db).abs() < 0.2,
            "case {case}, {hz} Hz: {found_db} against {expected_db} dB"
        );
    }
}

#[test]
fn thdn_of_white_noise_unbiased_within_1_pct() {
    // White noise of variance σ² holds σ²·2B/fs in a band B. A case's mean over its records is known to 0.3 % here.
    let mut draw = Draw::new(6);
    for case in 0..24 {
        let fs = draw.pick(&[48_000.0, 96_000.0, 192_000.0]);
        let hz = draw.between(200.0, 12_000.0);
        let len = draw.between(6_000.0, 14_000.0) as usize;
        let sigma = 10_f64.powf(draw.between(-4.0, -1.0));
        let clean = tones(fs, len, &[(hz, 1.0, 0.3)]);
        let mut noise = Noise(1 + case);
        let records = 60;
        let ms: f64 = (0..records)
            .map(|_| {
                let volts = clean.iter().map(|v| v + sigma * noise.next()).collect();
                (read_volts(fs, volts).thdn_pct.unwrap() / 100.0).powi(2)
            })
            .sum();
        let band_ms = sigma * sigma * 2.0 * 19_980.0 / fs;
        let expected = (band_ms / (band_ms + 0.5)).sqrt();
        assert_rel(
            Some((ms / f64::from(records)).sqrt()),
            expected,
            0.01,
            &format!("THD+N at {hz} Hz of {fs}, {len}"),
        );
    }
}

#[test]
fn residue_40_db_over_the_distortion_moves_thd_by_less_than_1e_4() {
    let mut draw = Draw::new(7);
    for case in 0..150 {
        let fs = draw.pick(&[192_000.0, 400_000.0, 1e6, 2e6]);
        let len = draw.between(10_000.0, 20_000.0) as usize;
        // Forty cycles at least, so that the tone's harmonics stand clear of each other.
        let hz = draw.between((40.0 * fs / len as f64).min(6_000.0), 9_000.0);
        let (second, third) = (28.0 * draw.between(1e-5, 1e-3), 28.0 * draw.between(1e-5, 1e-3));
        let clean = [(hz, 28.0, 0.7), (2.0 * hz, second, 0.3), (3.0 * hz, third, 1.0)];
        let reads = |parts: &[(f64, f64, f64)]| {
            let in_band = Settings { band_hz: (20.0, 3.1 * hz), ..Settings::default() };
            read(&voltage(fs, tones(fs, len, parts)), &in_band)
        };
        let before = reads(&clean);
        let mut parts = clean.to_vec();
        let residue_hz = draw.between(40_000.0, 0.47 * fs);
        parts.push((residue_hz, 100.0 * second.hypot(third), 2.0));
        let after = reads(&parts);
        let what = format!("case {case}: THD at {hz} Hz under {residue_hz} Hz of {fs}, {len} samples");
        assert_rel(after.thd_pct, before.thd_pct.unwrap(), 1e-4, &what);
        assert_rel(after.residue_vrms, 100.0 * second.hypot(third) / 2_f64.sqrt(), 0.01, "residue");
    }
}

#[test]
fn symmetric_clipping_within_a_thousandth_from_a_hundredth_to_40_pct() {
    // Closed form of a sine clipped at ±r (tests/data/hard_clip_sine.json names its source): b1 and the mean square.
    let mut draw = Draw::new(8);
    let thd_pct = |r: f64| {
        let angle = r.asin();
        let ms = 2.0 / std::f64::consts::PI
            * (angle / 2.0 - (2.0 * angle).sin() / 4.0 + r * r * (std::f64::consts::FRAC_PI_2 - angle));
        100.0 * (2.0 * ms / clip_coefficient(r, 1).powi(2) - 1.0).max(0.0).sqrt()
    };
    let mut checked = 0;
    while checked < 60 {
        let r = 1.0 - 10_f64.powf(draw.between(-3.2, 0.0));
        let expected = thd_pct(r);
        if !(0.01..=40.0).contains(&expected) {
            continue;
        }
        checked += 1;
        let (fs, len, cycles) = (2e6, 24_000, draw.between(12.0, 30.0));
        let hz = cycles * fs / len as f64;
        let last = (fs / 2.0 / hz - 0.5) as usize;
        let peaks: Vec<f64> =
            (0..=last).map(|n| if n == 0 { 0.0 } else { 30.0 * clip_coefficient(r, n) }).collect();
        let volts = sine_series(len, hz / fs, &peaks);
        let settings = Settings { band_hz: (20.0, fs / 2.0), ..Settings::default() };
        let reading = read(&voltage(fs, volts), &settings);
        assert_rel(reading.thd_pct, expected, 1e-3, &format!("THD clipped at {r}, {cycles} cycles"));
    }
}

/// Σ peaks\[n\]·sin(nθ) by Clenshaw's recurrence.
fn sine_series(len: usize, cycles_per_sample: f64, peaks: &[f64]) -> Vec<f64> {
    let at = |n: usize| {
        let turn = TAU * (cycles_per_sample * n as f64).fract();
        let double = 2.0 * turn.cos();
        let (mut one, mut two) = (0.0, 0.0);
        for peak in peaks[1..].iter().rev() {
            (one, two) = (peak + double * one - two, one);
        }
        one * turn.sin()
    };
    (0..len).map(at).collect()
}
