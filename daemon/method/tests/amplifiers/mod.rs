//! Invented amplifiers with exactly computable answers. Nothing here models a real product.
//! Distortion is found by summing one period against sine and cosine: common practice, no source.

pub mod fair;
pub mod plain;
pub mod play;
pub mod rng;

pub use rng::Rng;

use std::f64::consts::PI;
use std::sync::LazyLock;

/// Points of a period.
pub const N: usize = 512;

/// Sine, cosine and sine of three times the phase of every point.
static PHASES: LazyLock<Vec<(f64, f64, f64)>> = LazyLock::new(|| {
    let phase = |i: usize| 2.0 * PI * (i as f64 + 0.5) / N as f64;
    (0..N).map(|i| (phase(i).sin(), phase(i).cos(), (3.0 * phase(i)).sin())).collect()
});

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
    Asymmetric,
    Thermal,
    ClassD,
    Trip,
    TripAfter,
    Bump,
    DriveExhausted,
    Mixed,
}

pub const FAMILIES: [Family; 17] = [
    Family::Hard,
    Family::Tanh,
    Family::SoftKnee,
    Family::Sag,
    Family::Crossover,
    Family::Noise,
    Family::Limiter,
    Family::SlowLimiter,
    Family::LimiterAbove,
    Family::Asymmetric,
    Family::Thermal,
    Family::ClassD,
    Family::Trip,
    Family::TripAfter,
    Family::Bump,
    Family::DriveExhausted,
    Family::Mixed,
];

impl Family {
    /// More than one mechanism at once, or one that drifts.
    pub fn is_hard_case(self) -> bool {
        matches!(self, Self::Thermal | Self::Mixed)
    }

    pub fn limits(self) -> bool {
        matches!(self, Self::Limiter | Self::SlowLimiter | Self::LimiterAbove)
    }
}

/// How the waveform bends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bend {
    Hard,
    Tanh,
    Knee,
    Asymmetric,
    /// A little third-order bending, then hard.
    Cubic,
}

#[derive(Debug, Clone)]
pub struct Amplifier {
    pub family: Family,
    pub gain: f64,
    pub rail: f64,
    pub load: f64,
    pub noise_vrms: f64,
    pub bend: Bend,
    /// Half-width of a dead zone, V, and its depth.
    pub dead: (f64, f64),
    /// Distortion of a second path that vanishes with level: share of a small wave's third harmonic.
    pub bump: f64,
    /// Rail lost at full power, as a share, at once and by heat.
    pub sag: f64,
    pub heat: f64,
    pub heat_tau_s: f64,
    /// Limiter: threshold re rail, share of the excess taken, attack, third harmonic per dB taken, and its most.
    pub threshold: f64,
    pub taken: f64,
    pub attack_s: f64,
    pub h3_per_db: f64,
    pub h3_most: f64,
    pub trip_db: f64,
    /// Curvature of the knee: power in 1/(1 + u^p)^(1/p).
    pub sharpness: f64,
    pub low_rail: f64,
}

/// What moves slowly: limiter gain in dB taken, and heat (1 at rated power for ever).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Slow {
    pub taken_db: f64,
    pub heat: f64,
}

/// The noiseless state at one level.
#[derive(Debug, Clone)]
pub struct State {
    pub fundamental: f64,
    pub power: f64,
    pub thdn_pct: f64,
    pub thd_pct: f64,
    pub crest: f64,
    pub flat_pct: f64,
    pub even: f64,
    pub supply: f64,
    /// One period of the output, V.
    pub wave: Vec<f64>,
}

impl Amplifier {
    pub fn new(family: Family, rng: &mut Rng, rated_w: f64) -> Self {
        let load = 8.0;
        let shift = 10f64.powf(rng.between(-2.0, 1.0) / 20.0);
        let rail = (2.0 * rated_w * load).sqrt() * shift;
        let gain = 10f64.powf(rng.between(20.0, 40.0) / 20.0);
        let share = rng.between(0.3, 0.9);
        let mut a = Self {
            family,
            gain,
            rail,
            load,
            noise_vrms: 2e-5 * rail,
            bend: Bend::Hard,
            dead: (0.0, 0.0),
            bump: 0.0,
            sag: 0.0,
            heat: 0.0,
            heat_tau_s: 1.0,
            threshold: f64::INFINITY,
            taken: 0.0,
            attack_s: 0.002,
            h3_per_db: 0.0,
            h3_most: 1.0,
            trip_db: f64::INFINITY,
            sharpness: rng.between(8.0, 16.0),
            low_rail: rng.between(0.88, 0.95),
        };
        let bends = [Bend::Hard, Bend::Cubic, Bend::Knee, Bend::Tanh, Bend::Asymmetric];
        match family {
            Family::Hard | Family::DriveExhausted => {}
            Family::Tanh => a.bend = Bend::Tanh,
            Family::SoftKnee => a.bend = Bend::Knee,
            Family::Sag => a.sag = 0.05 + 0.1 * share,
            Family::Crossover => a.dead = (0.04 * rail * share, 0.25),
            Family::Noise => a.noise_vrms = rng.between(2e-3, 5e-3) * rail,
            Family::Limiter => (a.threshold, a.taken) = (0.8, 0.97),
            Family::SlowLimiter => {
                (a.threshold, a.taken, a.h3_per_db) = (0.8, 0.8, 0.0004);
                a.attack_s = rng.between(0.02, 0.12);
            }
            Family::LimiterAbove => {
                (a.threshold, a.taken) = (0.8, 0.9);
                (a.h3_per_db, a.h3_most) = (0.02, 0.012 + 0.012 * share);
            }
            Family::Asymmetric => a.bend = Bend::Asymmetric,
            Family::Thermal => {
                a.heat = rng.between(0.02, 0.06);
                a.heat_tau_s = rng.between(0.2, 1.2);
            }
            Family::ClassD => a.bend = Bend::Cubic,
            Family::Trip => a.trip_db = rng.between(-1.5, -0.1),
            Family::TripAfter => a.trip_db = rng.between(0.6, 1.6),
            Family::Bump => a.bump = rng.between(0.02, 0.06),
            Family::Mixed => {
                a.bend = bends[(rng.uniform() * 5.0) as usize % 5];
                a.sag = rng.between(0.0, 0.06);
                a.heat = rng.between(0.0, 0.02);
                a.heat_tau_s = rng.between(0.2, 1.2);
                a.dead = (0.02 * rail * rng.uniform(), 0.2);
                a.noise_vrms = rng.between(1e-5, 1e-3) * rail;
            }
        }
        a
    }

    /// Output of the static curve for a linear output `v`; `rail` the rail in force.
    fn curve(&self, v: f64, rail: f64) -> f64 {
        let v = v - self.dead.1 * v.clamp(-self.dead.0, self.dead.0);
        match self.bend {
            Bend::Hard => v.clamp(-rail, rail),
            Bend::Tanh => rail * (v / rail).tanh(),
            Bend::Knee => v / (1.0 + (v / rail).abs().powf(self.sharpness)).powf(1.0 / self.sharpness),
            Bend::Asymmetric => v.clamp(-rail, self.low_rail * rail),
            Bend::Cubic => (v - 0.002 * v * (v / rail).powi(2)).clamp(-rail, rail),
        }
    }

    /// dB that a limiter given for ever takes at this level.
    pub fn taken_db(&self, level_vrms: f64) -> f64 {
        let over = 20.0 * (self.gain * level_vrms * 2f64.sqrt() / (self.threshold * self.rail)).log10();
        self.taken * over.max(0.0)
    }

    /// The state at one level with limiter and heat as they are.
    pub fn state(&self, level_vrms: f64, slow: &Slow) -> State {
        let amplitude = self.gain * level_vrms * 2f64.sqrt();
        let drive = amplitude * 10f64.powf(-slow.taken_db / 20.0);
        let p = (amplitude.min(self.rail) / self.rail).powi(2);
        let sagged = 1.0 - self.sag * p;
        let rail = self.rail * sagged * (1.0 - self.heat * slow.heat);
        let h3 = (self.h3_per_db * slow.taken_db).min(self.h3_most) * drive
            + self.bump * drive * (-(20.0 * drive / self.rail).powi(2) / 8.0).exp();
        let wave = PHASES.iter().map(|(sin, _, third)| self.curve(drive * sin, rail) + h3 * third);
        self.summed(wave.collect(), 50.0 * sagged)
    }

    fn summed(&self, wave: Vec<f64>, supply: f64) -> State {
        let n = N as f64;
        let (mut ms, mut peak, mut b1, mut a1, mut dc) = (0.0, 0f64, 0.0, 0.0, 0.0);
        for (y, (sin, cos, _)) in wave.iter().zip(PHASES.iter()) {
            ms += y * y;
            peak = peak.max(y.abs());
            b1 += y * sin;
            a1 += y * cos;
            dc += y;
        }
        let (ms, dc) = (ms / n, dc / n);
        let v1 = (2.0 / n) * b1.hypot(a1) / 2f64.sqrt();
        let residue = (ms - dc * dc - v1 * v1).max(0.0);
        // Even part by half-wave symmetry: (y(t) + y(t + T/2)) / 2, dc left out.
        let even =
            (0..N).map(|i| (0.5 * (wave[i] + wave[(i + N / 2) % N])).powi(2)).sum::<f64>() / n - dc * dc;
        let even = if residue > 1e-12 { (even / residue).clamp(0.0, 1.0) } else { 0.0 };
        let floor = (1e-4 * v1).powi(2) + self.noise_vrms.powi(2);
        let whole = v1 * v1 + residue + floor;
        let flat = wave.iter().filter(|y| y.abs() >= 0.99 * peak).count();
        State {
            fundamental: v1,
            power: ms / self.load,
            thdn_pct: 100.0 * ((residue + floor) / whole).sqrt(),
            thd_pct: 100.0 * (residue + (1e-4 * v1).powi(2)).sqrt() / v1,
            crest: peak / ms.sqrt(),
            flat_pct: 100.0 * flat as f64 / n,
            even,
            supply,
            wave,
        }
    }

    /// The state that lasts: limiter settled, heat at balance with the power of that level.
    pub fn sustained(&self, level_vrms: f64, rated_w: f64) -> State {
        let mut slow = Slow { taken_db: self.taken_db(level_vrms), heat: 0.0 };
        if self.heat > 0.0 {
            for _ in 0..8 {
                slow.heat = self.state(level_vrms, &slow).power / rated_w;
            }
        }
        self.state(level_vrms, &slow)
    }

    /// Level at which the trip acts, V rms.
    pub fn trip_vrms(&self) -> f64 {
        self.rail / self.gain / 2f64.sqrt() * 10f64.powf(self.trip_db / 20.0)
    }

    /// The true ceiling level, V rms, of what lasts: dense scan downwards for the last upward crossing, then
    /// bisection. `None` where no level down to 60 dB below keeps the limit.
    pub fn truth(&self, limit_pct: f64, level_max: f64, rated_w: f64) -> Option<f64> {
        let lost_db_max = if limit_pct >= 10.0 { 6.0 } else { 3.0 };
        let small = 0.1 * self.rail / self.gain / 2f64.sqrt();
        let gain_at = |x: f64| self.sustained(x, rated_w).fundamental / x;
        let reference = (0..40).map(|i| gain_at(small * 10f64.powf(i as f64 / 40.0))).fold(0.0, f64::max);
        let keeps = |x: f64| {
            let s = self.sustained(x, rated_w);
            s.thdn_pct <= limit_pct && 20.0 * (reference * x / s.fundamental).log10() <= lost_db_max
        };
        if keeps(level_max) {
            return Some(level_max.min(self.trip_vrms()));
        }
        let mut high = f64::min(small * 30.0, level_max);
        while !keeps(high / 1.05) {
            high /= 1.05;
            if high < 0.03 * small {
                return None;
            }
        }
        let mut low = high / 1.05;
        for _ in 0..32 {
            let mid = 0.5 * (low + high);
            if keeps(mid) { low = mid } else { high = mid }
        }
        Some(low.min(self.trip_vrms()))
    }

    /// Slope of ln(THD+N) per dB at `level`.
    pub fn slope(&self, level: f64, rated_w: f64) -> f64 {
        let k = 10f64.powf(0.05 / 20.0);
        (self.sustained(level * k, rated_w).thdn_pct / self.sustained(level / k, rated_w).thdn_pct).ln() / 0.1
    }
}
