//! Burst against sustained: what an amplifier gives for a moment, what it keeps up, and what its limiter does.
//!
//! Bursts from 20 dB below up to the level under test, and to a level a little lower; each long enough for the output
//! to settle, else twice as long. Burst and sustained power are different types, so that neither can stand for the
//! other.

use serde::{Deserialize, Serialize};

/// Level between bursts, as a share of the burst's: −20 dB.
const REST: f64 = 0.1;
/// Relative standard uncertainty of a settled level from which on a longer burst is wanted (0.05 dB).
const SETTLED_U: f64 = 0.006;
/// What the chain's gain may move from one burst to the next, dB, standard uncertainty: common practice, no source.
const BETWEEN_DB: f64 = 0.01;
/// A limiter holds the level down by this at least, dB.
const HELD_DB: f64 = 0.3;
/// Distortion above which a level held down is clipped and not limited, %.
const CLIPPED_PCT: f64 = 3.0;

/// What a burst gives, W: never to be printed as sustained.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BurstPower {
    /// Active power, W.
    pub burst_w: f64,
    /// Expanded uncertainty, W, k = 2.
    pub expanded_u_w: f64,
}

/// What is kept up, W: never to be printed as burst.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SustainedPower {
    /// Active power, W.
    pub sustained_w: f64,
    /// Expanded uncertainty, W, k = 2.
    pub expanded_u_w: f64,
}

impl std::fmt::Display for BurstPower {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.2} W ± {:.2} W burst", self.burst_w, self.expanded_u_w)
    }
}

impl std::fmt::Display for SustainedPower {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.2} W ± {:.2} W sustained", self.sustained_w, self.expanded_u_w)
    }
}

/// What is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BurstSought {
    /// Level under test, V rms at the source.
    pub level_vrms: f64,
    /// How far below it the second level lies, dB.
    pub lower_db: f64,
    /// Length of the first burst, s.
    pub on_s: f64,
    /// Longest burst, s.
    pub on_s_max: f64,
    /// Relative standard uncertainty of power by calibration.
    pub u_calibration: f64,
}

/// What one burst showed on one channel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BurstSeen {
    /// Amplifier channel, from 1.
    pub channel: u32,
    /// Output between bursts, V rms.
    pub rest_vrms: f64,
    /// Output right after the onset, V rms.
    pub start_vrms: f64,
    /// Settled output, V rms, and its standard uncertainty.
    pub settled_vrms: Option<(f64, f64)>,
    /// Time to 63 % of the way from start to settled, s, and its standard uncertainty.
    pub attack_s: Option<(f64, f64)>,
    /// Power right after the onset, W, and its standard uncertainty.
    pub start_w: (f64, f64),
    /// Mean power of the first 20 ms, W, and its standard uncertainty.
    pub first_20ms_w: (f64, f64),
    /// Settled power, W, and its standard uncertainty.
    pub settled_w: Option<(f64, f64)>,
    /// Harmonic distortion of the burst's last part, %.
    pub settled_thd_pct: Option<f64>,
}

/// A limiter's law, from two levels above its threshold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LimiterSeen {
    /// Rise of the settled output per rise of the drive, dB per dB; 0 for one that lets nothing through.
    pub slope: f64,
    /// Standard uncertainty of `slope`.
    pub u_slope: f64,
    /// dB in per dB out; `None` where `slope` is within 2 u of 0.
    pub ratio: Option<f64>,
    /// The ratio is at least this.
    pub ratio_min: f64,
    /// Output at which it begins, V rms.
    pub threshold_vrms: f64,
    /// How far it holds the level down, dB.
    pub held_db: f64,
}

/// The answer for one channel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BurstAnswer {
    /// Amplifier channel, from 1.
    pub channel: u32,
    /// Level under test, V rms at the source.
    pub level_vrms: f64,
    /// Length of the burst, s.
    pub on_s: f64,
    /// Power right at the onset.
    pub onset: BurstPower,
    /// Mean power of the first 20 ms.
    pub burst: BurstPower,
    /// Power kept up; `None` if it was still moving at the end of the longest burst.
    pub sustained: Option<SustainedPower>,
    /// First 20 ms over sustained, dB.
    pub headroom_db: Option<f64>,
    /// Expanded uncertainty of `headroom_db`, dB, k = 2; calibration cancels.
    pub expanded_u_headroom_db: Option<f64>,
    /// Time to 63 % of the fall, s.
    pub attack_s: Option<f64>,
    /// Expanded uncertainty of `attack_s`, s, k = 2.
    pub expanded_u_attack_s: Option<f64>,
    /// The limiter, if the level is held down without clipping.
    pub limiter: Option<LimiterSeen>,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq)]
pub enum BurstNext {
    /// Play bursts and look at one.
    Play {
        /// Level of the burst, V rms.
        level_vrms: f64,
        /// Level between, V rms.
        rest_vrms: f64,
        /// Length of the burst, s.
        on_s: f64,
    },
    /// Finished, a row a channel.
    Done(Vec<BurstAnswer>),
}

/// The procedure; the same observations always give the same answers.
#[derive(Debug, Clone)]
pub struct BurstTest {
    sought: BurstSought,
    on_s: f64,
    lower: Option<Vec<BurstSeen>>,
}

impl BurstTest {
    /// Begins.
    pub fn new(sought: BurstSought) -> Self {
        BurstTest { on_s: sought.on_s, sought, lower: None }
    }

    /// The next burst after what the last one showed, channel by channel.
    pub fn next(&mut self, seen: Option<&[BurstSeen]>) -> BurstNext {
        let Some(seen) = seen else { return self.play() };
        if !seen.iter().all(is_settled) && 2.0 * self.on_s <= self.sought.on_s_max {
            self.on_s *= 2.0;
            return self.play();
        }
        match self.lower.take() {
            None => {
                self.lower = Some(seen.to_vec());
                self.play()
            }
            Some(lower) => BurstNext::Done(seen.iter().map(|high| self.answer(&lower, high)).collect()),
        }
    }

    fn lower_vrms(&self) -> f64 {
        self.sought.level_vrms * 10f64.powf(-self.sought.lower_db / 20.0)
    }

    fn play(&self) -> BurstNext {
        let level_vrms = if self.lower.is_some() { self.sought.level_vrms } else { self.lower_vrms() };
        // The same rest for both, so that their gains compare.
        BurstNext::Play { level_vrms, rest_vrms: REST * self.sought.level_vrms, on_s: self.on_s }
    }

    fn answer(&self, lower: &[BurstSeen], seen: &BurstSeen) -> BurstAnswer {
        let u = self.sought.u_calibration;
        let burst =
            |(burst_w, u_w): (f64, f64)| BurstPower { burst_w, expanded_u_w: 2.0 * u_w.hypot(u * burst_w) };
        let settled = seen.settled_w.filter(|_| is_settled(seen));
        let headroom = settled.and_then(|(settled_w, u_w)| {
            let (burst_w, u_burst_w) = seen.first_20ms_w;
            let db = 10.0 * (burst_w / settled_w).log10();
            let u_db = 10.0 / std::f64::consts::LN_10 * (u_burst_w / burst_w).hypot(u_w / settled_w);
            (db.is_finite() && u_db.is_finite()).then_some((db, u_db))
        });
        let lower = lower.iter().find(|lower| lower.channel == seen.channel);
        BurstAnswer {
            channel: seen.channel,
            level_vrms: self.sought.level_vrms,
            on_s: self.on_s,
            onset: burst(seen.start_w),
            burst: burst(seen.first_20ms_w),
            sustained: settled.map(|(sustained_w, u_w)| SustainedPower {
                sustained_w,
                expanded_u_w: 2.0 * u_w.hypot(u * sustained_w),
            }),
            headroom_db: headroom.map(|(db, _)| db),
            expanded_u_headroom_db: headroom.map(|(_, u_db)| 2.0 * u_db),
            attack_s: seen.attack_s.map(|(at_s, _)| at_s),
            expanded_u_attack_s: seen.attack_s.map(|(_, u_s)| 2.0 * u_s),
            limiter: lower.and_then(|lower| self.limiter(lower, seen)),
        }
    }

    /// The law through both settled levels, if both are held down and neither is clipped.
    fn limiter(&self, lower: &BurstSeen, seen: &BurstSeen) -> Option<LimiterSeen> {
        let db = |ratio: f64| 20.0 * ratio.log10();
        let level_vrms = self.sought.level_vrms;
        let gain = seen.rest_vrms / (REST * level_vrms);
        let ((low, u_low), (high, u_high)) = (lower.settled_vrms?, seen.settled_vrms?);
        let clean = |seen: &BurstSeen| seen.settled_thd_pct.is_some_and(|thd_pct| thd_pct <= CLIPPED_PCT);
        let held_db = db(gain * level_vrms / high);
        let held_low_db = db(gain * self.lower_vrms() / low);
        if !(held_db > HELD_DB && held_low_db > HELD_DB && clean(lower) && clean(seen)) {
            return None;
        }
        let slope = db(high / low) / self.sought.lower_db;
        // Scatter within the bursts, and what the gain moves between the two.
        let u_slope = db(1.0 + (u_low / low).hypot(u_high / high)).hypot(BETWEEN_DB) / self.sought.lower_db;
        let over_db = held_db / (1.0 - slope);
        let limiter = LimiterSeen {
            slope,
            u_slope,
            ratio: (slope > 2.0 * u_slope).then(|| 1.0 / slope),
            ratio_min: 1.0 / (slope.max(0.0) + 2.0 * u_slope),
            threshold_vrms: gain * level_vrms * 10f64.powf(-over_db / 20.0),
            held_db,
        };
        (limiter.slope < 1.0 && limiter.threshold_vrms.is_finite()).then_some(limiter)
    }
}

fn is_settled(seen: &BurstSeen) -> bool {
    let steady = seen.settled_vrms.is_some_and(|(vrms, u_vrms)| u_vrms <= SETTLED_U * vrms);
    // The same relative bound for power is twice as wide.
    steady && seen.settled_w.is_some_and(|(watts, u_w)| u_w <= 2.0 * SETTLED_U * watts)
}
