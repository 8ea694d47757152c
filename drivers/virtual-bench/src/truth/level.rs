use std::f64::consts::{SQRT_2, TAU};
use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};

use super::TruthQuery;
use crate::amplifier::{AmplifierSpec, Cycle, CycleGrid, Limits, Stage, demand};
use crate::load::Load;
use crate::world::db_to_ratio;
use crate::world::slow::{channel_gain, foldback, limiter_target, rail_v};

/// Points per period of the final spectrum.
pub(super) const FINE_POINTS: usize = 65_536;
/// Points per period while scanning.
pub(super) const COARSE_POINTS: usize = 4_096;
/// Mid-points per half period of the fixed point.
const GRID_POINTS: usize = 1_024;
/// Rounds of the damped fixed point.
const ROUNDS_MAX: usize = 400;

/// Steady state at one source level: one value for each output (a channel, or a bridge of two), and for each channel;
/// 0 for what is not driven.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LevelTruth {
    /// In-band rms with noise and hum at each output, V.
    pub out_vrms: Vec<f64>,
    /// Everything at the terminals of each output, V rms.
    pub full_vrms: Vec<f64>,
    /// Amplitude of the fundamental at each output, V peak.
    pub fundamental_vpk: Vec<f64>,
    /// In-band harmonics over the fundamental at each output, %.
    pub thd_pct: Vec<f64>,
    /// In-band rest over in-band total at each output, %.
    pub thdn_pct: Vec<f64>,
    /// Loss of gain of each output against a cold small signal, dB (positive is loss).
    pub compression_db: Vec<f64>,
    /// Limiter gain of each channel, 0 to 1.
    pub limiter: Vec<f64>,
    /// Die temperature of each channel, °C.
    pub die_c: Vec<f64>,
    /// Factor of the thermal foldback on each channel's gain times that on its rails.
    pub fold: Vec<f64>,
    /// Rail voltage of each channel, V.
    pub rail_v: Vec<f64>,
    /// True for a channel whose current protection sets its limit.
    pub current_limited: Vec<bool>,
    /// Supply current, A.
    pub supply_a: f64,
    /// Output power over supply power, 0 to 1.
    pub efficiency: f64,
    /// True if the die's steady state lies above the trip temperature.
    pub trips: bool,
}

/// Solves one amplifier under one set of conditions.
pub(super) struct Solver<'a> {
    spec: &'a AmplifierSpec,
    query: &'a TruthQuery,
    stage: Stage,
    grid: CycleGrid,
    sine: Vec<f64>,
    fft: Arc<dyn RealToComplex<f64>>,
}

/// Gain and limits of each channel that the spectrum is taken with.
struct Point {
    gain: Vec<f64>,
    limits: Vec<Limits>,
}

impl<'a> Solver<'a> {
    pub fn new(spec: &'a AmplifierSpec, query: &'a TruthQuery, points: usize) -> Self {
        Self {
            spec,
            query,
            stage: Stage::new(spec),
            grid: CycleGrid::new(GRID_POINTS),
            sine: (0..points).map(|k| (TAU * k as f64 / points as f64).sin()).collect(),
            fft: RealFftPlanner::new().plan_fft_forward(points),
        }
    }

    /// Everything settled at the given source level.
    pub fn steady(&self, source_vrms: f64) -> LevelTruth {
        let supply = &self.spec.physics.supply;
        let t = &self.spec.physics.thermal;
        let mut out = self.at_rest();
        let mut current_a = supply.idle_a;
        let mut point = None;
        for _ in 0..ROUNDS_MAX {
            let inner_v =
                (self.query.supply_v - supply.source_ohm * current_a).max(0.3 * self.query.supply_v);
            let now = self.operate(&mut out, inner_v, source_vrms, true);
            let cycles = self.cycles(&now, source_vrms);
            let need = demand(self.spec, &cycles, &out.rail_v, inner_v);
            let die: Vec<f64> =
                need.die_w.iter().map(|w| self.query.heatsink_c + t.die_c_per_w * w).collect();
            let warmed = die.iter().zip(&out.die_c).map(|(to, from)| (to - from).abs() / 100.0);
            let moved = (need.supply_a - current_a).abs() / (1.0 + current_a) + warmed.sum::<f64>();
            // Half steps: the foldback loop would otherwise swing.
            current_a += 0.5 * (need.supply_a - current_a);
            for (state, target) in out.die_c.iter_mut().zip(die) {
                *state += 0.5 * (target - *state);
            }
            out.supply_a = current_a;
            point = Some((now, cycles));
            if moved < 1.0e-12 {
                break;
            }
        }
        out.trips = t.trip_c.is_some_and(|c| out.die_c.iter().any(|die_c| *die_c > c));
        if let Some((now, cycles)) = point {
            let supply_w = self.query.supply_v * out.supply_a;
            if supply_w > 0.0 {
                out.efficiency = cycles.iter().map(|cycle| cycle.out_w).sum::<f64>() / supply_w;
            }
            self.spectra(&mut out, &now, source_vrms);
        }
        out
    }

    /// The first instant of a burst from rest: rails at idle, limiter open, die as warm as its idle heat.
    pub fn burst(&self, source_vrms: f64) -> LevelTruth {
        let supply = &self.spec.physics.supply;
        let channels = self.spec.channels();
        let mut out = self.at_rest();
        let inner_v =
            (self.query.supply_v - supply.source_ohm * supply.idle_a).max(0.3 * self.query.supply_v);
        let idle = demand(self.spec, &vec![Cycle::default(); channels], &vec![0.0; channels], inner_v);
        let die_c_per_w = self.spec.physics.thermal.die_c_per_w;
        out.die_c = idle.die_w.iter().map(|w| self.query.heatsink_c + die_c_per_w * w).collect();
        out.supply_a = idle.supply_a;
        let point = self.operate(&mut out, inner_v, source_vrms, false);
        self.spectra(&mut out, &point, source_vrms);
        out
    }

    /// Nothing played, limiters open, every die as warm as the heatsink.
    fn at_rest(&self) -> LevelTruth {
        let (channels, outputs) = (self.spec.channels(), self.query.outputs(self.spec));
        LevelTruth {
            out_vrms: vec![0.0; outputs],
            full_vrms: vec![0.0; outputs],
            fundamental_vpk: vec![0.0; outputs],
            thd_pct: vec![0.0; outputs],
            thdn_pct: vec![0.0; outputs],
            compression_db: vec![0.0; outputs],
            limiter: vec![1.0; channels],
            die_c: vec![self.query.heatsink_c; channels],
            fold: vec![1.0; channels],
            rail_v: vec![0.0; channels],
            current_limited: vec![false; channels],
            ..Default::default()
        }
    }

    fn driven(&self, ch: usize) -> bool {
        ch < self.query.channels_driven * self.query.channels_each()
    }

    /// Load as one channel sees it, Ω: a side of a bridge sees half.
    fn side_ohm(&self) -> f64 {
        self.query.load_ohm / self.query.channels_each() as f64
    }

    fn divider(&self) -> f64 {
        self.side_ohm() / (self.side_ohm() + self.spec.physics.output.resistance_ohm)
    }

    fn operate(&self, out: &mut LevelTruth, inner_v: f64, source_vrms: f64, limiter: bool) -> Point {
        let p = &self.spec.physics;
        let alive = self.query.supply_v >= p.supply.minimum_v;
        let loop_ohm = self.side_ohm() + p.output.resistance_ohm;
        let channels = self.spec.channels();
        let mut point = Point { gain: vec![0.0; channels], limits: vec![Limits::MUTE; channels] };
        for ch in 0..channels {
            let (fold_gain, fold_rail) = foldback(self.spec, out.die_c[ch]);
            out.rail_v[ch] = rail_v(self.spec, inner_v) * fold_rail;
            out.fold[ch] = fold_gain * fold_rail;
            let linear = channel_gain(self.spec, ch) * fold_gain;
            if let (true, true, Some(l)) = (limiter, self.driven(ch), &p.limiter) {
                let peak = source_vrms * SQRT_2 * linear * self.divider();
                out.limiter[ch] = limiter_target(l.threshold_vpk, l.ratio, peak);
            }
            point.gain[ch] = linear * out.limiter[ch];
            if alive {
                point.limits[ch] = Limits::new(out.rail_v[ch], &p.output, ch, Some(loop_ohm));
                let free = Limits::new(out.rail_v[ch], &p.output, ch, None);
                out.current_limited[ch] = point.limits[ch] != free;
            }
        }
        point
    }

    fn cycles(&self, point: &Point, source_vrms: f64) -> Vec<Cycle> {
        let load = Load::Resistive { ohm: self.side_ohm() };
        let cycle = |ch: usize| {
            let peak = if self.driven(ch) { source_vrms * SQRT_2 * point.gain[ch] } else { 0.0 };
            let tones = [(peak, self.query.hz), (0.0, self.query.hz)];
            let output_ohm = self.spec.physics.output.resistance_ohm;
            Cycle::new(&self.grid, &self.stage, point.limits[ch], tones, output_ohm, Some(&load))
        };
        (0..self.spec.channels()).map(cycle).collect()
    }

    /// One period at an output's terminals, V, and the amplitude that it would have without any limit, V peak. What is
    /// alike on both sides of a bridge, as dc and hum, does not show between them.
    fn wave(&self, point: &Point, output: usize, source_vrms: f64) -> (Vec<f64>, f64) {
        let divider = self.divider();
        let first = output * self.query.channels_each();
        let peak = |ch: usize| source_vrms * SQRT_2 * point.gain[ch];
        let small = |ch: usize| source_vrms * SQRT_2 * channel_gain(self.spec, ch) * divider;
        let emf = |ch: usize, s: f64| divider * self.stage.emf_v(peak(ch) * s, point.limits[ch]);
        if self.query.bridged {
            let wave = self.sine.iter().map(|s| emf(first, *s) - emf(first + 1, -s)).collect();
            return (wave, small(first) + small(first + 1));
        }
        (self.sine.iter().map(|s| emf(first, *s)).collect(), small(first))
    }

    fn spectra(&self, out: &mut LevelTruth, point: &Point, source_vrms: f64) {
        let q = self.query;
        let p = &self.spec.physics;
        let divider = self.divider();
        let band = q.band_hz;
        // Every channel has its own noise; hum is the same on all.
        let noises = self.query.channels_each() as f64;
        let noise_ms = noises * p.noise.noise_vrms.powi(2) * (band.high_hz - band.low_hz) / 20_000.0;
        let hum = |inside: bool| -> f64 {
            if self.query.bridged {
                return 0.0;
            }
            let all = p.noise.hum_vrms.iter().enumerate();
            all.filter(|(k, _)| {
                let hz = p.noise.hum_hz * (k + 1) as f64;
                !inside || (band.low_hz..=band.high_hz).contains(&hz)
            })
            .map(|(_, v)| (v * divider).powi(2))
            .sum()
        };
        for ch in 0..self.query.channels_driven.min(out.out_vrms.len()) {
            let (mut wave, small) = self.wave(point, ch, source_vrms);
            let square = wave.iter().map(|v| v * v).sum::<f64>() / wave.len() as f64;
            let mean = wave.iter().sum::<f64>() / wave.len() as f64;
            let mut bins = self.fft.make_output_vec();
            let scale = 2.0 / wave.len() as f64;
            // Lengths come from the plan itself, so this cannot fail; an empty spectrum would read as 0.
            if self.fft.process(&mut wave, &mut bins).is_err() {
                continue;
            }
            let v1 = bins[1].norm() * scale;
            let highest = ((band.high_hz / q.hz) as usize).min(bins.len() - 1);
            let harmonics: f64 = (2..=highest).map(|k| (bins[k].norm() * scale).powi(2) / 2.0).sum();
            let rest = harmonics + noise_ms + hum(true);
            let total = rest + v1 * v1 / 2.0;
            let dc_v = mean + if q.bridged { 0.0 } else { p.output.dc_offset_v * divider };
            // Switching residue follows each channel's level, in phase: of a bridge hardly any is left.
            let switched_vpk = if q.bridged { 0.0 } else { v1 };
            let residue: f64 =
                p.residue.iter().map(|r| (switched_vpk * db_to_ratio(r.level_db)).powi(2) / 2.0).sum();
            out.fundamental_vpk[ch] = v1;
            out.out_vrms[ch] = total.sqrt();
            out.full_vrms[ch] =
                (square - mean * mean + dc_v * dc_v + noise_ms + hum(false) + residue).max(0.0).sqrt();
            if v1 > 0.0 {
                out.thd_pct[ch] = 100.0 * (harmonics * 2.0).sqrt() / v1;
            }
            if total > 0.0 {
                out.thdn_pct[ch] = 100.0 * (rest / total).sqrt();
            }
            if small > 0.0 {
                out.compression_db[ch] = -crate::world::ratio_to_db(v1 / small);
            }
        }
    }
}
