//! Invented amplifiers with exactly computable answers. Nothing here models a real product.
//! Distortion is found by summing a 4096-point period against sine and cosine: common practice, no source.

use wattproof_method::{ChannelObservation, Observation};

pub struct Rng(u64);
impl Rng {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03)
    }
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    pub fn between(&mut self, a: f64, b: f64) -> f64 {
        a + (b - a) * self.uniform()
    }
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    Hard,
    Tanh,
    SoftKnee,
    Sag,
    Crossover,
    Noise,
    Limiter,
    SlowLimiter,
    LimiterAbove,
    DriveExhausted,
    Trip,
    ClassD,
    Asymmetric,
}

pub const FAMILIES: [Family; 13] = [
    Family::Hard,
    Family::Tanh,
    Family::SoftKnee,
    Family::Sag,
    Family::Crossover,
    Family::Noise,
    Family::Limiter,
    Family::SlowLimiter,
    Family::LimiterAbove,
    Family::DriveExhausted,
    Family::Trip,
    Family::ClassD,
    Family::Asymmetric,
];

#[derive(Debug, Clone)]
pub struct Amplifier {
    pub family: Family,
    pub gain: f64,
    pub rail: f64,
    pub load: f64,
    pub noise_vrms: f64,
    pub trip_db: f64,
    pub share: f64,
}

/// The noiseless state at one level.
pub struct State {
    pub fundamental: f64,
    pub power: f64,
    pub thdn_pct: f64,
    pub crest: f64,
    pub even: f64,
    pub supply: f64,
    pub droop_db: f64,
}

impl Amplifier {
    pub fn new(family: Family, rng: &mut Rng, rated_w: f64) -> Self {
        let load = 8.0;
        let shift = 10f64.powf(rng.between(-2.0, 1.0) / 20.0);
        let rail = (2.0 * rated_w * load).sqrt() * shift;
        let gain = 10f64.powf(rng.between(20.0, 40.0) / 20.0);
        let noise = if family == Family::Noise { rng.between(2e-3, 5e-3) * rail } else { 2e-5 * rail };
        Self {
            family,
            gain,
            rail,
            load,
            noise_vrms: noise,
            trip_db: rng.between(-1.5, 0.1),
            share: rng.between(0.3, 0.9),
        }
    }

    /// Output of the static curve for a linear output `v`; `rail` the rail in force.
    fn curve(&self, v: f64, rail: f64) -> f64 {
        match self.family {
            Family::Tanh => rail * (v / rail).tanh(),
            Family::SoftKnee => v / (1.0 + (v / rail).abs().powi(12)).powf(1.0 / 12.0),
            Family::Crossover => {
                let dead = 0.04 * rail * self.share;
                let past = (v.abs() - dead).max(0.0) + 0.75 * v.abs().min(dead);
                (past.min(rail)).copysign(v)
            }
            Family::ClassD => {
                let soft = v - 0.002 * v * (v / rail).powi(2);
                soft.clamp(-rail, rail)
            }
            Family::Asymmetric => v.clamp(-rail, 0.93 * rail),
            Family::DriveExhausted | Family::Limiter | Family::SlowLimiter | Family::LimiterAbove => v,
            _ => v.clamp(-rail, rail),
        }
    }

    fn sums(&self, amplitude: f64, rail: f64, extra_h3: f64) -> (f64, f64, f64, f64, f64) {
        const N: usize = 4096;
        let (mut ms, mut peak, mut b1, mut a1, mut dc) = (0.0, 0f64, 0.0, 0.0, 0.0);
        let mut y = [0.0; N];
        for (i, value) in y.iter_mut().enumerate() {
            let t = 2.0 * std::f64::consts::PI * (i as f64 + 0.5) / N as f64;
            *value = self.curve(amplitude * t.sin(), rail) + extra_h3 * amplitude * (3.0 * t).sin();
            ms += *value * *value;
            peak = peak.max(value.abs());
            b1 += *value * t.sin();
            a1 += *value * t.cos();
            dc += *value;
        }
        let n = N as f64;
        let (ms, dc) = (ms / n, dc / n);
        let v1 = (2.0 / n) * b1.hypot(a1) / 2f64.sqrt();
        let residue = (ms - dc * dc - v1 * v1).max(0.0);
        // Even part by half-wave symmetry: (y(t) + y(t + T/2)) / 2, dc left out.
        let even = (0..N).map(|i| (0.5 * (y[i] + y[(i + N / 2) % N])).powi(2)).sum::<f64>() / n - dc * dc;
        let even = if residue > 1e-12 { (even / residue).clamp(0.0, 1.0) } else { 0.0 };
        (v1, residue, ms, peak / ms.sqrt(), even)
    }

    pub fn state(&self, level_vrms: f64) -> State {
        let linear_vrms = self.gain * level_vrms;
        let amplitude = linear_vrms * 2f64.sqrt();
        let threshold_db = 20.0 * (amplitude / (0.8 * self.rail)).log10();
        let over = threshold_db.max(0.0);
        let (mut drive, mut rail, mut h3, mut droop, mut supply) = (amplitude, self.rail, 0.0, 0.0, 50.0);
        match self.family {
            Family::Limiter => drive = amplitude * 10f64.powf(-0.97 * over / 20.0),
            Family::SlowLimiter => {
                drive = amplitude * 10f64.powf(-0.8 * over / 20.0);
                h3 = 0.0004 * over;
                droop = 0.3 * over;
            }
            Family::LimiterAbove => {
                drive = amplitude * 10f64.powf(-0.9 * over / 20.0);
                h3 = (0.012 + 0.012 * self.share) * (1.0 - (-2.0 * over).exp());
            }
            Family::Sag => {
                let p = (amplitude.min(self.rail) / self.rail).powi(2);
                let drop = 1.0 - (0.05 + 0.1 * self.share) * p;
                rail *= drop;
                supply *= drop;
            }
            _ => {}
        }
        let (v1, residue, ms, crest, even) = self.sums(drive, rail, h3);
        let floor = (1e-4 * v1).powi(2) + self.noise_vrms.powi(2);
        let thdn = ((residue + floor) / (v1 * v1 + residue + floor)).sqrt() * 100.0;
        State { fundamental: v1, power: ms / self.load, thdn_pct: thdn, crest, even, supply, droop_db: droop }
    }

    /// Level at which the trip acts, V rms.
    pub fn trip_vrms(&self) -> f64 {
        if self.family != Family::Trip {
            return f64::INFINITY;
        }
        self.rail / self.gain / 2f64.sqrt() * 10f64.powf(self.trip_db / 20.0)
    }

    pub fn observe(&self, level_vrms: f64, rng: &mut Rng) -> Observation {
        let s = self.state(level_vrms);
        let level = 10f64.powf(0.02 * rng.normal() / 20.0);
        let d = s.thdn_pct * (1.0 + 0.03 * rng.normal());
        Observation {
            level_vrms,
            channels: vec![ChannelObservation {
                fundamental_vrms: Some(s.fundamental * level),
                active_w: Some(s.power * level * level),
                thd_pct: Some(d),
                thdn_pct: Some(d),
                even_share: Some(s.even),
                flat_top_pct: None,
                crest_factor: Some(s.crest),
                noise_vrms: Some(self.noise_vrms),
                envelope_droop_db: Some(s.droop_db),
                load_ohm_measured: Some(self.load),
            }],
            supply_v: Some(s.supply),
            supply_a: Some(0.5 + s.power / 40.0),
            heatsink_c: Some(40.0),
            tripped: level_vrms >= self.trip_vrms(),
            refused: false,
        }
    }

    /// The true ceiling level, V rms: dense scan downwards for the last upward crossing, then bisection.
    pub fn truth(&self, limit_pct: f64, level_max: f64) -> f64 {
        let small = 0.1 * self.rail / self.gain / 2f64.sqrt();
        let gain_at = |x: f64| self.state(x).fundamental / x;
        let reference = (0..40).map(|i| gain_at(small * 10f64.powf(i as f64 / 40.0))).fold(0.0, f64::max);
        let keeps = |x: f64| {
            let s = self.state(x);
            s.thdn_pct <= limit_pct && 20.0 * (reference * x / s.fundamental).log10() <= 3.0
        };
        let mut high = small * 40.0;
        while !keeps(high / 1.02) {
            high /= 1.02;
        }
        let mut low = high / 1.02;
        for _ in 0..40 {
            let mid = 0.5 * (low + high);
            if keeps(mid) { low = mid } else { high = mid }
        }
        low.min(level_max).min(self.trip_vrms())
    }

    /// Slope of ln(THD+N) per dB at `level`.
    pub fn slope(&self, level: f64) -> f64 {
        let k = 10f64.powf(0.05 / 20.0);
        (self.state(level * k).thdn_pct / self.state(level / k).thdn_pct).ln() / 0.1
    }
}
