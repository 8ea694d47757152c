//! Zeros that stand for lost data are refused; zeros that a signal has by itself are not. Project definition; signals by
//! synthesis, no source.

use crate::support::*;
use wattproof_signal::{Capture, Flag, Settings, read};

/// Rounds to steps of a converter, as ADC codes scaled to volts are.
fn rounded(samples: Vec<f64>, step: f64) -> Vec<f64> {
    samples.iter().map(|v| (v / step).round() * step).collect()
}

fn is_dropout(capture: &Capture) -> bool {
    let reading = read(capture, &Settings::default());
    let found = reading.flags.contains(&Flag::Dropout);
    assert_eq!(reading.out_vrms.is_none(), reading.is_refused(), "refused readings hold no number");
    found
}

#[test]
fn a_lost_packet_filled_with_zeros_is_refused() {
    let mut draw = Draw::new(11);
    let mut noise = Noise(3);
    for (fs, hz) in
        [(48_000.0, 997.0), (48_000.0, 6_000.7), (48_000.0, 40.013), (192_000.0, 1000.3), (96_000.0, 250.1)]
    {
        for case in 0..12 {
            let len = 48_000;
            let clean = tones(fs, len, &[(hz, 10.0, 0.2), (2.0 * hz, 0.02, 0.0)]);
            let noisy: Vec<f64> = clean.iter().map(|v| v + 1e-3 * noise.next()).collect();
            let steps = if case % 2 == 0 { 20.0 / 65_536.0 } else { 20.0 / 256.0 };
            let mut volts = rounded(noisy, steps);
            let amps: Vec<f64> = volts.iter().map(|v| v / 4.0).collect();
            // A quarter of a cycle and whole halves: its two ends can't both lie in the tone's own crossings.
            let halves = draw.between(0.0, 3.9).floor();
            let lost = ((0.25 + 0.5 * halves) * fs / hz).round().max(9.0) as usize;
            let first = draw.between(1.0, (len - lost - 1) as f64) as usize;
            let mut current = amps.clone();
            current[first..first + lost].fill(0.0);
            let capture =
                Capture { fs_hz: fs, volts: volts.clone(), amps: Some(current), ..Capture::default() };
            assert!(is_dropout(&capture), "current, {hz} Hz, {lost} zeros at {first}");
            volts[first..first + lost].fill(0.0);
            let capture = Capture { fs_hz: fs, volts, amps: Some(amps), ..Capture::default() };
            assert!(is_dropout(&capture), "voltage, {hz} Hz, {lost} zeros at {first}");
        }
    }
}

#[test]
fn many_lost_packets_are_not_taken_for_silence() {
    // One millisecond in ten.
    let mut volts = tones(48_000.0, 48_000, &[(997.0, 10.0, 0.2)]);
    for packet in volts.chunks_mut(48).skip(1).step_by(10) {
        packet.fill(0.0);
    }
    assert!(is_dropout(&voltage(48_000.0, volts)));
}

#[test]
fn crossings_of_a_coarse_converter_are_no_dropouts() {
    for (fs, hz) in [(192_000.0, 40.013), (192_000.0, 100.3), (48_000.0, 20.7)] {
        for codes in [0.6, 1.2, 2.7, 10.3, 100.1] {
            for noise_codes in [0.0, 0.05, 0.3] {
                let mut noise = Noise(9);
                let clean = tones(fs, 96_000, &[(hz, codes, 0.2)]);
                let volts: Vec<f64> = clean.iter().map(|v| v + noise_codes * noise.next()).collect();
                let volts = rounded(volts, 1.0);
                assert!(!is_dropout(&voltage(fs, volts)), "{hz} Hz of {codes} codes, noise {noise_codes}");
            }
        }
    }
}

#[test]
fn waves_that_rest_at_zero_are_no_dropouts() {
    let fs = 96_000.0;
    let sine = tones(fs, 48_000, &[(100.3, 1.0, 0.2)]);
    let dead = |v: f64, band: f64| if v.abs() > band { v - band.copysign(v) } else { 0.0 };
    for band in [0.05, 0.2, 0.5] {
        let soft: Vec<f64> = sine.iter().map(|v| dead(*v, band)).collect();
        assert!(!is_dropout(&voltage(fs, soft)), "crossover of {band}");
        let hard: Vec<f64> = sine.iter().map(|v| if v.abs() > band { *v } else { 0.0 }).collect();
        assert!(!is_dropout(&voltage(fs, hard)), "jump of {band}");
        let steps: Vec<f64> =
            sine.iter().map(|v| if v.abs() > band { 1_f64.copysign(*v) } else { 0.0 }).collect();
        assert!(!is_dropout(&voltage(fs, steps)), "three levels, {band}");
    }
}

#[test]
fn silence_is_no_dropout() {
    let (fs, len) = (48_000.0, 48_000);
    for hz in [1000.0, 6000.0] {
        // Gated where the tone crosses zero.
        let gated = |open: &dyn Fn(usize) -> bool| -> Vec<f64> {
            tones(fs, len, &[(hz, 10.0, 0.0)])
                .iter()
                .enumerate()
                .map(|(n, v)| if open(n) { *v } else { 0.0 })
                .collect()
        };
        let settle = |volts: Vec<f64>| rounded(volts, 1e-3);
        for (name, volts) in [
            ("burst", settle(gated(&|n| (4_800..43_200).contains(&n)))),
            ("trip", gated(&|n| n < 30_011)),
            ("late start", gated(&|n| n > 15_007)),
            ("pause", settle(gated(&|n| !(24_000..24_960).contains(&n)))),
            ("pauses", settle(gated(&|n| n % 4_800 >= 480))),
        ] {
            assert!(!is_dropout(&voltage(fs, volts)), "{name} of {hz} Hz");
        }
        // A rise from below the converter's step.
        let rise = tones(fs, len, &[(hz, 1.0, 0.3)])
            .into_iter()
            .enumerate()
            .map(|(n, v)| v * 100.0 * (n as f64 / len as f64).powi(3));
        assert!(!is_dropout(&voltage(fs, rounded(rise.collect(), 1.0))), "rise of {hz} Hz");
    }
    assert!(!is_dropout(&voltage(fs, vec![0.0; len])));
}

#[test]
fn a_lost_packet_filled_with_the_last_sample_is_refused() {
    // Common practice of recorders that lose data, no source. A cycle and a half of them, held away from zero.
    let mut draw = Draw::new(23);
    for (fs, hz) in [(48_000.0, 997.0), (48_000.0, 6_000.7), (48_000.0, 40.013), (192_000.0, 1000.3)] {
        for case in 0..12 {
            let (len, amplitude) = (48_000, 10.0);
            let steps = if case % 2 == 0 { 20.0 / 65_536.0 } else { 20.0 / 256.0 };
            let third = if case % 3 == 0 { 3.0 } else { 0.02 };
            let clean = tones(fs, len, &[(hz, amplitude, 0.2), (3.0 * hz, third, 0.0)]);
            let mut volts = rounded(clean, steps);
            let amps: Vec<f64> = volts.iter().map(|v| v / 4.0).collect();
            let lost = (1.5 * fs / hz).round() as usize;
            let from = draw.between(0.1 * len as f64, 0.8 * len as f64) as usize;
            let first = (from..len).find(|n| volts[*n].abs() > 0.7 * amplitude).unwrap();
            let mut current = amps.clone();
            current[first..first + lost].fill(amps[first]);
            let capture =
                Capture { fs_hz: fs, volts: volts.clone(), amps: Some(current), ..Capture::default() };
            assert!(is_dropout(&capture), "current, {hz} Hz, {lost} at {first}");
            let held = volts[first];
            volts[first..first + lost].fill(held);
            assert!(is_dropout(&voltage(fs, volts)), "voltage, {hz} Hz, {lost} at {first}");
        }
    }
}

#[test]
fn waves_that_stand_still_by_themselves_are_no_dropouts() {
    // Hard clipping, a square wave, pulses of four fifths of a cycle, a pause at the converter's own offset, a stage that
    // sticks to its rail to the end.
    let (fs, hz, len) = (192_000.0, 1000.3, 48_000);
    let tone = tones(fs, len, &[(hz, 10.0, 0.2)]);
    let of = |wave: &dyn Fn(usize, f64) -> f64| -> Vec<f64> {
        tone.iter().enumerate().map(|(n, v)| wave(n, *v)).collect()
    };
    for (what, volts) in [
        ("clipped", of(&|_, v| v.clamp(-1.0, 1.0))),
        ("square", of(&|_, v| v.signum())),
        ("pulses", of(&|_, v| if v > 8.09 { 10.0 } else { -3.0 })),
        ("a pause at an offset", of(&|n, v| 0.1 + if (20_000..22_000).contains(&n) { 0.0 } else { v })),
        ("stuck", of(&|n, v| if n > 40_000 { 10.0 } else { v })),
        ("coarse", rounded(of(&|_, v| 0.061 * v), 0.5)),
    ] {
        assert!(!is_dropout(&voltage(fs, volts)), "{what}");
    }
}
