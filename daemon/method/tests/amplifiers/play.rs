//! Plays what a search asks for on an invented amplifier, with noise on the readings, and keeps score.

use super::{Amplifier, Family, N, Rng, Slow, State};
use wattproof_method::{
    Ceiling, CeilingSearch, ChannelObservation, Failure, Look, LookChannel, Next, Observation, RampWatch,
    Record, Sought, TransferCurve,
};

pub const RATED_W: f64 = 100.0;
/// Usual length of a capture, length of a look, s; tone, Hz.
const CAPTURE_S: f64 = 0.15;
const BLOCK_S: f64 = 0.02;
const TONE_HZ: f64 = 1000.0;
const HARMONICS: usize = 20;

/// Scatter of the readings.
#[derive(Debug, Clone, Copy)]
pub struct Scatter {
    /// Of one distortion reading, relative.
    pub distortion: f64,
    /// Of one level, dB.
    pub level_db: f64,
    /// Part of the distortion reading's scatter that the transfer curve shares.
    pub shared: f64,
}

pub const USUAL: Scatter = Scatter { distortion: 0.03, level_db: 0.02, shared: 0.0 };

pub struct Player {
    pub amplifier: Amplifier,
    pub scatter: Scatter,
    rng: Rng,
    slow: Slow,
    /// Energy delivered, in seconds at rated power.
    pub energy_s: f64,
    /// Highest distortion of a held capture that did not trip, percent, and highest predicted output, W.
    pub worst_thdn_pct: f64,
    pub loudest_w: f64,
    pub held: Vec<f64>,
    /// Below this level, V rms, noise and crossover may read anything.
    low_vrms: f64,
}

impl Player {
    pub fn new(amplifier: Amplifier, scatter: Scatter, truth_vrms: f64, rng: Rng) -> Self {
        Self {
            amplifier,
            scatter,
            rng,
            slow: Slow::default(),
            energy_s: 0.0,
            worst_thdn_pct: 0.0,
            loudest_w: 0.0,
            held: Vec::new(),
            low_vrms: 0.5 * truth_vrms,
        }
    }

    /// Lets a level sound for a time, in steps short against every time constant.
    fn sound(&mut self, level: f64, seconds: f64) {
        let dt = 1e-3;
        let steps = (seconds / dt).round() as usize;
        let target_db = self.amplifier.taken_db(level);
        let mut power = self.amplifier.state(level, &self.slow).power;
        for i in 0..steps {
            if i % 20 == 19 {
                power = self.amplifier.state(level, &self.slow).power;
            }
            self.slow.taken_db +=
                (target_db - self.slow.taken_db) * (1.0 - (-dt / self.amplifier.attack_s).exp());
            self.slow.heat += (power / RATED_W - self.slow.heat) * dt / self.amplifier.heat_tau_s;
            self.energy_s += power / RATED_W * dt;
        }
        self.loudest_w = self.loudest_w.max((self.amplifier.gain * level).powi(2) / self.amplifier.load);
    }

    fn rest(&mut self, seconds: f64) {
        self.slow.taken_db *= (-seconds / self.amplifier.attack_s).exp();
        self.slow.heat *= (-seconds / self.amplifier.heat_tau_s).exp();
    }

    /// The fundamental's phase bins with the amplifier's noise as a fit of `seconds` leaves it.
    fn curve(&mut self, s: &State, scale: f64, distortion: f64, seconds: f64) -> Option<TransferCurve> {
        let bins = N / 2;
        let per_harmonic = self.amplifier.noise_vrms * (2.0 / (40e3 * seconds)).sqrt();
        let noise: Vec<f64> = (0..=HARMONICS).map(|_| per_harmonic * self.rng.normal()).collect();
        let peak = s.fundamental * 2f64.sqrt();
        let fold = |m: usize| {
            // Rising branch from −90°, falling branch mirrored.
            let quarter = N / 4;
            let rising = s.wave[(N + m - quarter) % N];
            let falling = s.wave[(3 * quarter - 1 - m + N) % N];
            let theta = -std::f64::consts::FRAC_PI_2 + std::f64::consts::PI * (m as f64 + 0.5) / bins as f64;
            let pure = peak * theta.sin();
            let extra: f64 = (2..=HARMONICS)
                .map(|k| {
                    let angle = k as f64 * theta;
                    noise[k] * if k % 2 == 1 { angle.sin() } else { angle.cos() }
                })
                .sum();
            scale * (pure + (0.5 * (rising + falling) - pure) * distortion + extra)
        };
        TransferCurve::from_phases((0..bins).map(fold).collect())
    }

    fn channel(&mut self, s: &State, droop_db: f64, record_s: f64) -> ChannelObservation {
        let scale = 10f64.powf(self.scatter.level_db * self.rng.normal() / 20.0);
        let common = self.rng.normal();
        let own = self.rng.normal();
        let shared = self.scatter.shared;
        let off = self.scatter.distortion * (shared * common + (1.0 - shared * shared).sqrt() * own);
        let curve = self.curve(s, scale, 1.0 + self.scatter.distortion * shared * common, record_s);
        ChannelObservation {
            fundamental_vrms: Some(s.fundamental * scale),
            active_w: Some(s.power * scale * scale),
            thd_pct: Some(s.thd_pct * (1.0 + off)),
            thdn_pct: Some(s.thdn_pct * (1.0 + off)),
            even_share: Some(s.even),
            flat_top_pct: Some(s.flat_pct),
            crest_factor: Some(s.crest),
            noise_vrms: Some(self.amplifier.noise_vrms * (1.0 + 0.01 * self.rng.normal())),
            envelope_droop_db: Some(droop_db),
            load_ohm_measured: Some(self.amplifier.load),
            curve,
        }
    }

    fn look(&mut self, level: f64, seconds: f64) -> Look {
        let s = self.amplifier.state(level, &self.slow);
        let scale = 10f64.powf(0.25 * self.scatter.level_db * self.rng.normal() / 20.0);
        let thd = s.thd_pct * (1.0 + self.scatter.distortion * self.rng.normal());
        let curve = self.curve(&s, scale, 1.0, seconds);
        let fundamental_vrms = Some(s.fundamental * scale);
        Look {
            level_vrms: level,
            channels: vec![LookChannel { fundamental_vrms, thd_pct: Some(thd), curve }],
        }
    }

    /// A held level, with an optional burst at the record's beginning.
    pub fn hold(
        &mut self,
        level: f64,
        hold_s: f64,
        record: Record,
        burst: Option<(f64, u32)>,
    ) -> Observation {
        let record_s = record.length_s(TONE_HZ, CAPTURE_S);
        let tripped = level >= self.amplifier.trip_vrms();
        self.sound(level, hold_s + 0.02);
        let onset = self.amplifier.state(level, &self.slow);
        self.sound(level, record_s);
        let s = self.amplifier.state(level, &self.slow);
        // What a record's first and last quarters show of a fall.
        let droop_db = 0.75 * 20.0 * (onset.fundamental / s.fundamental).log10();
        let mut seen = Observation {
            level_vrms: level,
            held_s: hold_s,
            record_s,
            channels: vec![self.channel(&s, droop_db, record_s)],
            supply_v: Some(s.supply),
            supply_a: Some(0.5 + s.power / 40.0),
            heatsink_c: Some(40.0 + 10.0 * self.slow.heat),
            looks: Vec::new(),
            tripped,
            refused: false,
        };
        if !tripped {
            if level > self.low_vrms {
                self.worst_thdn_pct = self.worst_thdn_pct.max(s.thdn_pct);
            }
            self.held.push(level);
        }
        // As at the bench, no burst follows where the level below it tripped.
        if let Some((burst, cycles)) = burst.filter(|_| !tripped) {
            let before = self.slow;
            self.sound(burst, f64::from(cycles) * 1e-3);
            seen.looks.push(self.look(burst, f64::from(cycles) * 1e-3));
            self.slow.taken_db = before.taken_db;
            seen.tripped |= burst >= self.amplifier.trip_vrms();
        }
        seen
    }

    pub fn ramp(&mut self, from: f64, to: f64, db_per_s: f64, watch: &mut RampWatch) -> Observation {
        let mut seen = Observation { level_vrms: from, ..Observation::default() };
        let step = 10f64.powf(db_per_s * BLOCK_S / 20.0);
        let mut level = from;
        while level < to * (1.0 + 1e-9) {
            let middle = level * step.sqrt();
            let end = (level * step).min(to);
            self.sound(middle.min(to), BLOCK_S);
            seen.level_vrms = end;
            if end >= self.amplifier.trip_vrms() {
                seen.tripped = true;
                break;
            }
            let look = self.look(middle.min(to), BLOCK_S);
            let enough = watch.enough(&look);
            seen.looks.push(look);
            level *= step;
            if enough {
                break;
            }
        }
        seen
    }
}

/// How one search went.
pub struct Trial {
    pub captures: usize,
    pub level_error_db: f64,
    pub power_error_db: f64,
    pub nearest_db: f64,
    pub energy_s: f64,
    pub worst_thdn_pct: f64,
    pub loudest_w: f64,
    pub truth_w: f64,
    pub truth_vrms: f64,
    pub amplifier: Amplifier,
    pub ceiling: Ceiling,
    /// What was asked for, in short.
    pub story: Vec<String>,
}

/// Runs one search to its end; `None` where no level keeps the limit and the search says so.
pub fn trial(family: Family, seed: u64, sought: Sought, scatter: Scatter) -> Result<Option<Trial>, String> {
    let mut rng = Rng::new(seed * 31 + family as u64);
    let amplifier = Amplifier::new(family, &mut rng, RATED_W);
    let mut sought = sought;
    if family == Family::DriveExhausted {
        sought.level_vrms_max = 0.5 * amplifier.rail / amplifier.gain;
    }
    // By the definition of the ceiling, no level counts whose linear output passes the declared maximum.
    let declared_vrms = (sought.out_w_max * amplifier.load).sqrt() / amplifier.gain;
    let truth = amplifier.truth(sought.limit_pct, sought.level_vrms_max.min(declared_vrms), RATED_W);
    let (truth, exists) = (truth.unwrap_or(sought.level_vrms_start), truth.is_some());
    let truth_w = amplifier.sustained(truth, RATED_W).power;
    let mut player = Player::new(amplifier, scatter, truth, rng);
    let captures_max = sought.captures_max;
    let mut search = CeilingSearch::new(sought.clone()).map_err(|e| e.to_string())?;
    let (mut last, mut story) = (None, Vec::new());
    let db = |x: f64, y: f64| 20.0 * (x / y).log10();
    for _ in 0..3 * captures_max {
        match search.next(last.as_ref()) {
            Next::Set { level_vrms, hold_s, record, why } => {
                story.push(format!("set {:+.3} ({hold_s} s, {record:?}) {why}", db(level_vrms, truth)));
                last = Some(player.hold(level_vrms, hold_s, record, None));
                if let (Some(o), Some(line)) = (&last, story.last_mut()) {
                    let c = &o.channels[0];
                    line.push_str(&format!(
                        " [{:.3} %, fell {:.4} dB]",
                        c.thdn_pct.unwrap_or(0.0),
                        c.envelope_droop_db.unwrap_or(0.0)
                    ));
                }
            }
            Next::Probe { level_vrms, burst_vrms, cycles, hold_s, record, why } => {
                story.push(format!(
                    "probe {:+.3} to {:+.3} {why}",
                    db(level_vrms, truth),
                    db(burst_vrms, truth)
                ));
                last = Some(player.hold(level_vrms, hold_s, record, Some((burst_vrms, cycles))));
                if let (Some(o), Some(line)) = (&last, story.last_mut()) {
                    line.push_str(&format!(
                        " [{:.3} %, tripped {}]",
                        o.channels[0].thdn_pct.unwrap_or(0.0),
                        o.tripped
                    ));
                }
            }
            Next::Ramp { from_vrms, to_vrms, db_per_s, why } => {
                let mut watch = RampWatch::new(&sought);
                let seen = player.ramp(from_vrms, to_vrms, db_per_s, &mut watch);
                story.push(format!(
                    "ramp {:+.3} to {:+.3} {why}",
                    db(from_vrms, truth),
                    db(seen.level_vrms, truth)
                ));
                last = Some(seen);
            }
            Next::CoolDown { .. } => {
                player.rest(2.0);
                last = None;
            }
            Next::Failed(Failure::NeverBelowLimit { .. }) if !exists => return Ok(None),
            Next::Failed(f) => return Err(format!("{f} {story:#?}")),
            Next::Done(_) if !exists => return Err(format!("a ceiling where there is none {story:#?}")),
            Next::Done(c) => {
                let nearest =
                    player.held.iter().map(|l| db(*l, c.level_vrms).abs()).fold(f64::INFINITY, f64::min);
                return Ok(Some(Trial {
                    captures: c.captures,
                    level_error_db: db(c.level_vrms, truth),
                    power_error_db: 10.0 * (c.power_w / truth_w).log10(),
                    nearest_db: nearest,
                    energy_s: player.energy_s,
                    worst_thdn_pct: player.worst_thdn_pct,
                    loudest_w: player.loudest_w,
                    truth_w,
                    truth_vrms: truth,
                    amplifier: player.amplifier,
                    ceiling: *c,
                    story,
                }));
            }
        }
    }
    Err(format!("did not end {story:#?}"))
}
