use std::f64::consts::{SQRT_2, TAU};

use super::noise_wave::{self, Clip, Shape};

/// What the source plays on one channel; levels are rms of a continuous tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drive {
    /// A continuous sine.
    Sine {
        /// Level, V rms.
        vrms: f64,
        /// Frequency, Hz.
        hz: f64,
    },
    /// A gated sine: `on_cycles` at `vrms`, then `off_cycles` at `rest_vrms`, repeated.
    Burst {
        /// Level while on, V rms.
        vrms: f64,
        /// Level between, V rms (0 for silence).
        rest_vrms: f64,
        /// Frequency, Hz.
        hz: f64,
        /// Cycles on.
        on_cycles: u32,
        /// Cycles off.
        off_cycles: u32,
    },
    /// Two sines at once.
    TwoTone {
        /// Level of the first, V rms.
        vrms_1: f64,
        /// Frequency of the first, Hz.
        hz_1: f64,
        /// Level of the second, V rms.
        vrms_2: f64,
        /// Frequency of the second, Hz.
        hz_2: f64,
    },
    /// Noise from 20 Hz to 20 kHz. What moves slowly (rails, limiter, heat) takes it for a sine of the same level.
    Noise {
        /// Level, V rms.
        vrms: f64,
        /// White or pink.
        shape: Shape,
        /// Peak over rms, as a ratio.
        crest: f64,
        /// Which noise.
        seed: u64,
    },
}

/// The sine that stands for noise where only its level counts, Hz.
const NOISE_HZ: f64 = 1_000.0;

impl Drive {
    /// Frequency of the (first) tone, Hz.
    pub fn hz(&self) -> f64 {
        match *self {
            Self::Sine { hz, .. } | Self::Burst { hz, .. } => hz,
            Self::TwoTone { hz_1, .. } => hz_1,
            Self::Noise { .. } => NOISE_HZ,
        }
    }

    /// Highest frequency played, Hz.
    pub(crate) fn highest_hz(&self) -> f64 {
        match *self {
            Self::Sine { hz, .. } | Self::Burst { hz, .. } => hz,
            Self::TwoTone { hz_1, hz_2, .. } => hz_1.max(hz_2),
            // As finely as a tone in its midst: the distortion of noise is not what it is for.
            Self::Noise { .. } => NOISE_HZ,
        }
    }
}

/// One source channel: its drive, and the phase it had when that drive was set.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SourceChannel {
    /// Whether the amplifier turns what it plays over.
    pub inverted: bool,
    drive: Drive,
    on: bool,
    /// Moment the drive was set, s.
    origin_s: f64,
    /// Phase of the (first) tone at that moment, cycles.
    origin_cycles: f64,
    /// How noise is clipped, worked out once.
    clip: Option<Clip>,
}

impl SourceChannel {
    pub fn new() -> Self {
        let drive = Drive::Sine { vrms: 0.0, hz: 1_000.0 };
        Self { inverted: false, drive, on: false, origin_s: 0.0, origin_cycles: 0.0, clip: None }
    }

    /// Sets the drive; a tone keeps its phase through a change of level or frequency.
    pub fn set(&mut self, drive: Drive, on: bool, now_s: f64) {
        let burst = matches!(drive, Drive::Burst { .. });
        if burst && self.drive == drive && self.on == on {
            return;
        }
        // A burst starts at a zero crossing, so that its cycles are whole.
        self.origin_cycles = if burst { 0.0 } else { self.cycles(now_s).fract() };
        self.origin_s = now_s;
        self.drive = drive;
        self.clip = match drive {
            Drive::Noise { crest, .. } => Some(Clip::at(crest)),
            _ => None,
        };
        self.on = on;
    }

    /// Begins the burst's period afresh; other drives run on.
    pub fn restart(&mut self, now_s: f64) {
        if matches!(self.drive, Drive::Burst { .. }) {
            self.origin_cycles = 0.0;
            self.origin_s = now_s;
        }
    }

    pub fn drive(&self) -> Drive {
        self.drive
    }

    pub fn is_on(&self) -> bool {
        self.on
    }

    /// Phase of the (first) tone, cycles.
    pub fn cycles(&self, t_s: f64) -> f64 {
        self.origin_cycles + self.drive.hz() * (t_s - self.origin_s)
    }

    /// Amplitude and frequency of the tones sounding at `t_s`, V peak and Hz.
    pub fn tones(&self, t_s: f64) -> [(f64, f64); 2] {
        let silent = (0.0, self.drive.hz());
        if !self.on {
            return [silent, silent];
        }
        match self.drive {
            Drive::Sine { vrms, hz } => [(vrms * SQRT_2, hz), silent],
            Drive::Burst { vrms, rest_vrms, hz, on_cycles, .. } => {
                let level = if self.burst_position(t_s) < f64::from(on_cycles) { vrms } else { rest_vrms };
                [(level * SQRT_2, hz), silent]
            }
            Drive::TwoTone { vrms_1, hz_1, vrms_2, hz_2 } => {
                [(vrms_1 * SQRT_2, hz_1), (vrms_2 * SQRT_2, hz_2)]
            }
            Drive::Noise { vrms, .. } => [(vrms * SQRT_2, NOISE_HZ), silent],
        }
    }

    /// The next moment after `t_s` at which a burst changes level, s; infinity for steady drives.
    pub fn next_edge_s(&self, t_s: f64) -> f64 {
        let Drive::Burst { hz, on_cycles, off_cycles, .. } = self.drive else { return f64::INFINITY };
        if !self.on || on_cycles == 0 || off_cycles == 0 {
            return f64::INFINITY;
        }
        let at = self.burst_position(t_s);
        let on = f64::from(on_cycles);
        let edge = if at < on { on } else { on + f64::from(off_cycles) };
        t_s + (edge - at) / hz
    }

    /// Cycles since the start of the current burst period.
    fn burst_position(&self, t_s: f64) -> f64 {
        match self.drive {
            Drive::Burst { on_cycles, off_cycles, .. } => {
                let period = f64::from(on_cycles) + f64::from(off_cycles);
                // A hair is added so that an edge computed in floating point counts as reached.
                if period > 0.0 { (self.cycles(t_s) + 1.0e-9).rem_euclid(period) } else { 0.0 }
            }
            Drive::Sine { .. } | Drive::TwoTone { .. } | Drive::Noise { .. } => 0.0,
        }
    }

    /// Writes the instantaneous source voltage at `t0_s + k·dt_s`.
    pub fn fill(&self, t0_s: f64, dt_s: f64, out: &mut [f64]) {
        let tones = self.tones(t0_s);
        out.fill(0.0);
        if !self.on {
            return;
        }
        match self.drive {
            Drive::Sine { .. } => add_tone(tones[0].0, self.cycles(t0_s), tones[0].1 * dt_s, out),
            Drive::TwoTone { .. } => {
                add_tone(tones[0].0, self.cycles(t0_s), tones[0].1 * dt_s, out);
                add_tone(tones[1].0, tones[1].1 * (t0_s - self.origin_s), tones[1].1 * dt_s, out);
            }
            Drive::Noise { vrms, shape, crest, seed } => {
                let clip = self.clip.unwrap_or_else(|| Clip::at(crest));
                noise_wave::fill(shape, seed, vrms, clip, t0_s - self.origin_s, dt_s, out);
            }
            Drive::Burst { hz, .. } => {
                add_tone(1.0, self.cycles(t0_s), hz * dt_s, out);
                let mut from = 0;
                while from < out.len() {
                    let t = t0_s + from as f64 * dt_s;
                    let edge = ((self.next_edge_s(t) - t0_s) / dt_s - 1.0e-6).ceil();
                    let to = if edge < out.len() as f64 { (edge as usize).max(from + 1) } else { out.len() };
                    let level = self.tones(t)[0].0;
                    out[from..to].iter_mut().for_each(|v| *v *= level);
                    from = to;
                }
            }
        }
    }
}

/// Tones are made in so many strands side by side, which a processor takes several at a time.
const STRANDS: usize = 8;

/// Adds `peak·sin` by rotating phasors, which stay within 1e-12 over one block.
pub(crate) fn add_tone(peak: f64, cycles: f64, cycles_per_sample: f64, out: &mut [f64]) {
    if peak == 0.0 {
        return;
    }
    let (at, turn) = (TAU * cycles.fract(), TAU * cycles_per_sample);
    let strands: [(f64, f64); STRANDS] = std::array::from_fn(|k| (at + k as f64 * turn).sin_cos());
    let (mut sin, mut cos) = (strands.map(|(sin, _)| peak * sin), strands.map(|(_, cos)| peak * cos));
    let (step_sin, step_cos) = (STRANDS as f64 * turn).sin_cos();
    let mut chunks = out.chunks_exact_mut(STRANDS);
    for chunk in &mut chunks {
        for k in 0..STRANDS {
            chunk[k] += sin[k];
            (sin[k], cos[k]) = (sin[k] * step_cos + cos[k] * step_sin, cos[k] * step_cos - sin[k] * step_sin);
        }
    }
    for (v, sin) in chunks.into_remainder().iter_mut().zip(sin) {
        *v += sin;
    }
}
