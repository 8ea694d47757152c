//! The burst procedure on modelled limiters.
//!
//! Source of every truth: the model's own closed form (static law, exponential attack in one or two stages). The
//! accuracy asked for (settled levels, and so the law, within 0.1 dB, attack within 5 %, at 0.02 dB of noise) is the
//! project's own.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

use wattproof_method::{BurstAnswer, BurstNext, BurstSeen, BurstSought, BurstTest};
use wattproof_signal::respond;

const BLOCK_S: f64 = 1e-3;
const GAIN: f64 = 30.0;

/// Uniform and normal numbers from a 64-bit congruential generator (Knuth).
struct Random(u64);

impl Random {
    fn within(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        low + (high - low) * ((self.0 >> 11) as f64 / (1u64 << 53) as f64)
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.within(0.0, 1.0)).sum::<f64>() - 6.0
    }
}

/// A limiter: output threshold, dB in per dB out above it, and (share, time constant in s) of its stages.
struct Limiter {
    threshold_vrms: f64,
    ratio: f64,
    stages: Vec<(f64, f64)>,
}

impl Limiter {
    fn settled(&self, linear_vrms: f64) -> f64 {
        if linear_vrms <= self.threshold_vrms {
            return linear_vrms;
        }
        self.threshold_vrms * (linear_vrms / self.threshold_vrms).powf(1.0 / self.ratio)
    }

    fn at(&self, linear_vrms: f64, t_s: f64) -> f64 {
        let settled = self.settled(linear_vrms);
        let left: f64 = self.stages.iter().map(|(share, tau_s)| share * (-t_s / tau_s).exp()).sum();
        settled + (linear_vrms - settled) * left
    }

    fn attack_s(&self) -> f64 {
        let left =
            |t_s: f64| self.stages.iter().map(|(share, tau_s)| share * (-t_s / tau_s).exp()).sum::<f64>();
        let (mut low, mut high) = (0.0, 10.0);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if left(middle) > (-1f64).exp() { low = middle } else { high = middle }
        }
        low
    }

    fn burst(
        &self,
        level_vrms: f64,
        rest_vrms: f64,
        on_s: f64,
        thd_pct: f64,
        random: &mut Random,
    ) -> BurstSeen {
        let linear_vrms = GAIN * level_vrms;
        let volts: Vec<f64> = (0..(on_s / BLOCK_S) as usize)
            .map(|n| {
                let t_s = (n as f64 + 0.5) * BLOCK_S;
                self.at(linear_vrms, t_s) * 10f64.powf(0.02 * random.normal() / 20.0)
            })
            .collect();
        let watts: Vec<f64> = volts.iter().map(|v| v * v / 4.0).collect();
        let (v, w) = (respond(&volts, BLOCK_S).unwrap(), respond(&watts, BLOCK_S).unwrap());
        BurstSeen {
            channel: 1,
            rest_vrms: self.settled(GAIN * rest_vrms),
            start_vrms: v.start,
            settled_vrms: v.settled.zip(v.u_settled),
            attack_s: v.attack_s.zip(v.u_attack_s),
            start_w: (w.start, w.u_start),
            first_20ms_w: (watts.iter().take(20).sum::<f64>() / 20.0, w.scatter / 20f64.sqrt()),
            settled_w: w.settled.zip(w.u_settled),
            settled_thd_pct: Some(thd_pct),
        }
    }

    /// The answer, and the bursts played: level and length.
    fn answer(&self, level_vrms: f64, thd_pct: f64, random: &mut Random) -> (BurstAnswer, Vec<(f64, f64)>) {
        let sought = BurstSought { level_vrms, lower_db: 1.0, on_s: 0.5, on_s_max: 4.0, u_calibration: 1e-3 };
        let mut test = BurstTest::new(sought);
        let (mut seen, mut played) = (None, Vec::new());
        for _ in 0..12 {
            match test.next(seen.as_deref()) {
                BurstNext::Play { level_vrms, rest_vrms, on_s } => {
                    played.push((level_vrms, on_s));
                    seen = Some(vec![self.burst(level_vrms, rest_vrms, on_s, thd_pct, random)]);
                }
                BurstNext::Done(answers) => return (answers[0], played),
            }
        }
        panic!("no end after {played:?}");
    }
}

fn limiter(random: &mut Random, two_stages: bool) -> Limiter {
    let tau_s = 10f64.powf(random.within(if two_stages { 20e-3f64 } else { 8e-3 }.log10(), 80e-3f64.log10()));
    let stages = if two_stages {
        let share = random.within(0.2, 0.5);
        vec![(share, tau_s / random.within(3.0, 5.0)), (1.0 - share, tau_s)]
    } else {
        vec![(1.0, tau_s)]
    };
    let ratio = if random.within(0.0, 1.0) < 0.3 { 1e9 } else { random.within(3.0, 20.0) };
    Limiter { threshold_vrms: random.within(10.0, 30.0), ratio, stages }
}

#[test]
fn limiters_are_read_within_a_tenth_of_a_decibel() {
    const RUNS: u64 = 300;
    let (mut worst_law_db, mut worst_threshold_db, mut worst_attack) = (0.0f64, 0.0f64, 0.0f64);
    let (mut close, mut covered, mut bounded) = (0, 0, 0);
    for seed in 1..=RUNS {
        let mut random = Random(seed * 104_729);
        let limiter = limiter(&mut random, seed % 2 == 0);
        let over_db = random.within(3.0, 8.0);
        let level_vrms = limiter.threshold_vrms / GAIN * 10f64.powf(over_db / 20.0);
        let (answer, played) = limiter.answer(level_vrms, 0.1, &mut random);
        let law = answer.limiter.unwrap_or_else(|| panic!("seed {seed}: no limiter seen, {answer:?}"));
        worst_law_db = worst_law_db.max((law.slope - 1.0 / limiter.ratio).abs());
        worst_threshold_db =
            worst_threshold_db.max((20.0 * (law.threshold_vrms / limiter.threshold_vrms).log10()).abs());
        bounded += u64::from(law.ratio_min <= limiter.ratio);
        let attack = answer.attack_s.unwrap_or_else(|| panic!("seed {seed}: no attack, {answer:?}"));
        let off = (attack / limiter.attack_s() - 1.0).abs();
        worst_attack = worst_attack.max(off);
        close += u64::from(off <= 0.05);
        let truth_w = limiter.settled(GAIN * level_vrms).powi(2) / 4.0;
        let sustained = answer.sustained.unwrap_or_else(|| panic!("seed {seed}: {answer:?}"));
        covered += u64::from((sustained.sustained_w - truth_w).abs() <= sustained.expanded_u_w);
        assert!(answer.headroom_db.unwrap() > 0.0);
        // The quieter level comes first; no burst is louder than the level asked for.
        assert!(played[0].0 < level_vrms && played.iter().all(|(level, _)| *level <= level_vrms));
    }
    println!(
        "worst: law {worst_law_db:.3} dB per dB, threshold {worst_threshold_db:.3} dB, attack {:.2} %; attack within 5 % in {close}, sustained within U in {covered}, ratio above its bound in {bounded} of {RUNS}",
        100.0 * worst_attack
    );
    assert!(worst_law_db <= 0.1 && worst_threshold_db <= 0.25);
    assert!(close * 100 >= RUNS * 98 && covered * 100 >= RUNS * 95 && bounded * 100 >= RUNS * 95);
}

#[test]
fn a_slow_limiter_gets_longer_bursts_and_a_hopeless_one_no_sustained_power() {
    let mut random = Random(11);
    let slow = Limiter { threshold_vrms: 20.0, ratio: 10.0, stages: vec![(1.0, 0.4)] };
    let (answer, played) = slow.answer(1.0, 0.1, &mut random);
    assert!(played.last().unwrap().1 >= 1.0, "{played:?}");
    assert!((answer.attack_s.unwrap() / 0.4 - 1.0).abs() < 0.05, "{answer:?}");
    let endless = Limiter { threshold_vrms: 20.0, ratio: 10.0, stages: vec![(1.0, 6.0)] };
    let (answer, played) = endless.answer(1.0, 0.1, &mut random);
    assert_eq!(played.last().unwrap().1, 4.0);
    assert!(
        answer.sustained.is_none() && answer.headroom_db.is_none() && answer.limiter.is_none(),
        "{answer:?}"
    );
}

#[test]
fn clipping_and_clean_amplifiers_have_no_limiter() {
    let mut random = Random(12);
    let clipping = Limiter { threshold_vrms: 20.0, ratio: 1e9, stages: vec![(1.0, 0.02)] };
    assert!(clipping.answer(1.0, 15.0, &mut random).0.limiter.is_none(), "distortion tells a clip");
    let clean = Limiter { threshold_vrms: 1e3, ratio: 10.0, stages: vec![(1.0, 0.02)] };
    let answer = clean.answer(1.0, 0.1, &mut random).0;
    assert!(answer.limiter.is_none() && answer.attack_s.is_none());
    assert!(answer.headroom_db.unwrap().abs() < 0.05, "{answer:?}");
}

/// A number says in its own words which it is.
#[test]
fn neither_power_prints_as_the_other() {
    let mut random = Random(13);
    let limiter = Limiter { threshold_vrms: 20.0, ratio: 1e9, stages: vec![(1.0, 0.02)] };
    let answer = limiter.answer(1.0, 0.1, &mut random).0;
    let (burst, sustained) = (answer.burst.to_string(), answer.sustained.unwrap().to_string());
    assert!(burst.ends_with("W burst") && sustained.ends_with("W sustained"), "{burst} {sustained}");
    let json = serde_json::to_value(answer).unwrap();
    assert!(json["burst"]["sustained_w"].is_null() && json["sustained"]["burst_w"].is_null());
}
