//! Responses to a step, bursts and envelopes, against the closed form they were made from.
//!
//! Source of every truth: the exponentials themselves; for two stages their sum, solved by bisection. The accuracy
//! asked for (98 % of attacks within 5 %, settled levels within 0.1 dB, with 0.02 dB of noise and five time constants
//! of record; 2 % of tails may ask for a longer record) is the project's own. What misses 5 % are falls of 1 dB within a few cycles.

use std::f64::consts::{E, SQRT_2, TAU};

use wattproof_signal::{Capture, NoBurst, find_burst, respond};

use crate::support::*;

const BLOCK_S: f64 = 1e-3;

/// Parts of a fall: amount in V and time constant in s.
type Parts = Vec<(f64, f64)>;

fn at(settled: f64, parts: &Parts, t_s: f64) -> f64 {
    settled + parts.iter().map(|(fall, tau_s)| fall * (-t_s / tau_s).exp()).sum::<f64>()
}

/// When 63.2 % of the fall has happened.
fn attack_s(parts: &Parts) -> f64 {
    let fall = |t_s: f64| at(0.0, parts, t_s);
    let (mut low, mut high) = (0.0, 10.0);
    for _ in 0..80 {
        let middle = f64::midpoint(low, high);
        if fall(middle) > fall(0.0) / E { low = middle } else { high = middle }
    }
    low
}

/// Exact means over the blocks, with noise in dB.
fn levels(settled: f64, parts: &Parts, record_s: f64, noise_db: f64, noise: &mut Noise) -> Vec<f64> {
    let mean = |n: usize| {
        let from_s = n as f64 * BLOCK_S;
        settled
            + parts
                .iter()
                .map(|(fall, tau_s)| {
                    fall * tau_s / BLOCK_S * (-from_s / tau_s).exp() * (1.0 - (-BLOCK_S / tau_s).exp())
                })
                .sum::<f64>()
    };
    let count = (record_s / BLOCK_S) as usize;
    (0..count).map(|n| mean(n) * 10f64.powf(noise_db * noise.next() / 20.0)).collect()
}

struct Uniform(u64);

impl Uniform {
    fn within(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        low + (high - low) * ((self.0 >> 11) as f64 / (1u64 << 53) as f64)
    }
}

fn db(a: f64, b: f64) -> f64 {
    (20.0 * (a / b).log10()).abs()
}

/// Worst errors over many random limiters: attack in percent, start and settled level in dB.
fn worst(draw: impl Fn(&mut Uniform) -> (Parts, f64)) -> [f64; 3] {
    let mut errors = [0.0f64; 3];
    let (mut covered, mut close, mut unsettled) = (0, 0, 0);
    const RUNS: u64 = 500;
    for seed in 1..=RUNS {
        let (mut uniform, mut noise) = (Uniform(seed * 7919), Noise(seed));
        let (parts, record_s) = draw(&mut uniform);
        let found = respond(&levels(20.0, &parts, record_s, 0.02, &mut noise), BLOCK_S).unwrap();
        let truth_s = attack_s(&parts);
        let Some(settled) = found.settled else {
            unsettled += 1;
            continue;
        };
        let attack = found.attack_s.unwrap_or_else(|| panic!("seed {seed}: no attack, {parts:?}"));
        let now = [
            100.0 * (attack / truth_s - 1.0).abs(),
            db(found.start, at(20.0, &parts, 0.0)),
            db(settled, 20.0),
        ];
        for (kept, now) in errors.iter_mut().zip(now) {
            *kept = kept.max(now);
        }
        close += u64::from(now[0] <= 5.0);
        covered += u64::from((attack - truth_s).abs() <= 2.0 * found.u_attack_s.unwrap());
    }
    println!(
        "worst errors: attack {:.2} %, start {:.3} dB, settled {:.3} dB; in 2u {covered}, within 5 % {close}, unsettled {unsettled}",
        errors[0], errors[1], errors[2]
    );
    assert!(unsettled * 50 <= RUNS, "{unsettled} of {RUNS} tails taken for moving");
    assert!(close * 100 >= (RUNS - unsettled) * 98, "{close} of {RUNS} attacks within 5 %");
    assert!(covered * 100 >= RUNS * 90, "the true attack lies within 2 u in {covered} of {RUNS}");
    errors
}

#[test]
fn one_stage_limiters() {
    let errors = worst(|u| {
        let tau_s = 10f64.powf(u.within(5e-3f64.log10(), 100e-3f64.log10()));
        let start = 20.0 * 10f64.powf(u.within(1.0, 8.0) / 20.0);
        (vec![(start - 20.0, tau_s)], tau_s * u.within(5.0, 12.0))
    });
    assert!(errors[0] <= 10.0 && errors[1] <= 0.15 && errors[2] <= 0.1, "{errors:?}");
}

#[test]
fn two_stage_limiters() {
    let errors = worst(|u| {
        let quick_s = 10f64.powf(u.within(5e-3f64.log10(), 20e-3f64.log10()));
        let slow_s = quick_s * u.within(3.0, 8.0);
        let fall = 20.0 * (10f64.powf(u.within(2.0, 8.0) / 20.0) - 1.0);
        let share = u.within(0.2, 0.5);
        (vec![(fall * share, quick_s), (fall * (1.0 - share), slow_s)], slow_s * u.within(5.0, 10.0))
    });
    assert!(errors[0] <= 10.0 && errors[1] <= 0.15 && errors[2] <= 0.1, "{errors:?}");
}

#[test]
fn a_level_that_does_not_move_has_no_attack() {
    let mut noise = Noise(5);
    let found = respond(&levels(20.0, &vec![], 0.5, 0.02, &mut noise), BLOCK_S).unwrap();
    assert!(found.attack_s.is_none());
    assert!(db(found.start, 20.0) < 0.02 && db(found.settled.unwrap(), 20.0) < 0.01);
}

#[test]
fn a_record_that_ends_too_early_is_not_called_settled() {
    let mut noise = Noise(6);
    for tau_s in [0.2, 0.5, 2.0] {
        let found = respond(&levels(20.0, &vec![(8.0, tau_s)], 0.3, 0.02, &mut noise), BLOCK_S).unwrap();
        // What is said must be right: either nothing, or the true level within three of its uncertainties.
        if let Some(settled) = found.settled {
            assert!((settled - 20.0).abs() <= 3.0 * found.u_settled.unwrap(), "{tau_s}: {found:?}");
        }
    }
    let found = respond(&levels(20.0, &vec![(8.0, 2.0)], 0.3, 0.02, &mut noise), BLOCK_S).unwrap();
    assert!(found.settled.is_none() && found.attack_s.is_none());
    assert!(respond(&[1.0; 5], BLOCK_S).is_none());
    assert!(respond(&[f64::NAN; 50], BLOCK_S).is_none());
}

/// A burst of a real waveform at any place and phase in the record, with current into 4 ohm.
fn burst(hz: f64, onset_s: f64, tau_s: f64, record_s: f64, end_s: f64) -> Capture {
    let fs_hz = 192_000.0;
    let volts: Vec<f64> = (0..(record_s * fs_hz) as usize)
        .map(|n| {
            let t_s = n as f64 / fs_hz;
            let inside = t_s >= onset_s && t_s < end_s;
            let level = if inside { at(20.0, &vec![(8.0, tau_s)], t_s - onset_s) } else { 2.8 };
            level * SQRT_2 * (TAU * hz * (t_s - onset_s)).sin()
        })
        .collect();
    let amps = volts.iter().map(|v| v / 4.0).collect();
    Capture { fs_hz, volts, amps: Some(amps), ..Capture::default() }
}

#[test]
fn a_burst_is_found_where_it_is() {
    let tau_s = 0.02;
    // Blocks of the record cut the onset anywhere.
    let cuts = (0..20).map(|n| (1000.0, 0.1 + 0.05e-3 * f64::from(n)));
    for (hz, onset_s) in cuts.chain([(997.3, 0.12345), (60.0, 0.2), (5000.0, 0.05017)]) {
        let end_s: f64 = onset_s + f64::round(0.4 * hz) / hz;
        let capture = burst(hz, onset_s, tau_s, end_s + 0.1, end_s);
        let found = find_burst(&capture, hz).unwrap_or_else(|error| panic!("{hz} Hz: {error}"));
        assert!((found.onset_s - onset_s).abs() < 0.02 / hz, "{hz} Hz: {} {onset_s}", found.onset_s);
        assert!(
            (found.end_s.unwrap() - end_s).abs() < 2.0 * found.block_s,
            "{hz} Hz: {:?} {end_s}",
            found.end_s
        );
        assert!(db(found.rest_vrms, 2.8) < 0.001, "{hz} Hz: {}", found.rest_vrms);
        let volts = respond(&found.volts_vrms, found.block_s).unwrap();
        assert!(db(volts.settled.unwrap(), 20.0) < 0.01, "{hz} Hz: {volts:?}");
        let watts = respond(&found.active_w.unwrap(), found.block_s).unwrap();
        assert!((watts.settled.unwrap() / 100.0 - 1.0).abs() < 0.002, "{hz} Hz: {watts:?}");
        // A block of 25 ms can't tell a start or an attack of 20 ms.
        if hz > 500.0 {
            assert!((volts.attack_s.unwrap() / tau_s - 1.0).abs() < 0.02, "{hz} Hz: {volts:?}");
            assert!(db(volts.start, 28.0) < 0.03, "{hz} Hz: {volts:?}");
            assert!((watts.start / 196.0 - 1.0).abs() < 0.01, "{hz} Hz: {watts:?}");
        }
    }
}

#[test]
fn what_holds_no_whole_burst_is_refused() {
    let steady = voltage(192_000.0, tones(192_000.0, 40_000, &[(1000.0, 5.0, 0.3)]));
    assert_eq!(find_burst(&steady, 1000.0), Err(NoBurst::NoOnset));
    // Begun before the record: its end is no onset.
    let late = burst(1000.0, -0.05, 0.02, 0.5, 0.2);
    assert_eq!(find_burst(&late, 1000.0), Err(NoBurst::NoOnset));
    assert_eq!(find_burst(&voltage(192_000.0, vec![0.0; 500]), 1000.0), Err(NoBurst::TooShort));
    assert_eq!(find_burst(&voltage(192_000.0, vec![f64::NAN; 5000]), 1000.0), Err(NoBurst::Invalid));
}

#[test]
fn the_envelope_of_a_reading_tells_onset_peak_settled_and_attack() {
    let capture = burst(1000.0, 0.1, 0.02, 0.5, 1.0);
    let envelope = read_volts(capture.fs_hz, capture.volts).envelope.unwrap();
    let near = |found: Option<f64>, truth: f64, within: f64, what: &str| {
        assert!(
            (found.unwrap_or(f64::NAN) / truth - 1.0).abs() < within,
            "{what}: {found:?} against {truth}"
        );
    };
    // The record's 500 cycles come in blocks of four.
    near(envelope.onset_s, 0.1, 0.02, "onset");
    near(envelope.attack_s, 0.02, 0.1, "attack");
    near(envelope.settled_vrms, 20.0, 0.001, "settled");
    assert!((26.0..=28.0).contains(&envelope.peak_vrms.unwrap()));
    let steady = read_volts(192_000.0, tones(192_000.0, 40_000, &[(1000.0, 5.0, 0.3)])).envelope.unwrap();
    assert!(steady.onset_s.is_none() && steady.attack_s.is_none());
    near(steady.settled_vrms, 5.0 / SQRT_2, 1e-6, "settled");
    // A journal from before these fields still reads.
    let old: wattproof_signal::Envelope =
        serde_json::from_str(r#"{"block_s":0.001,"fundamental_vrms":[1.0],"droop_db":null}"#).unwrap();
    assert!(old.onset_s.is_none() && old.peak_vrms.is_none());
}
