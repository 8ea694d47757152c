use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex64;

use super::{AmplifierSpec, Limits, OutputKind, Stage};
use crate::load::Load;

/// Half a cycle of sin θ at mid-points: a memoryless stage repeats itself on the way down.
#[derive(Debug, Clone)]
pub(crate) struct CycleGrid {
    sine: Vec<f64>,
}

impl CycleGrid {
    /// `points` per half cycle.
    pub fn new(points: usize) -> Self {
        let sine = (0..points).map(|k| (-PI / 2.0 + PI * (k as f64 + 0.5) / points as f64).sin()).collect();
        Self { sine }
    }
}

/// Averages over one cycle of the drive, of one channel.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Cycle {
    /// Mean of the rectified output current, A.
    pub mean_abs_a: f64,
    /// Active power in the load, W.
    pub out_w: f64,
    /// Rms at the terminals without dc, V.
    pub out_vrms: f64,
    /// Amplitude of the fundamental at the terminals, V peak.
    pub fundamental_vpk: f64,
}

impl Cycle {
    /// Averages for tones with the linear EMF amplitudes given (a second one for two tones), V peak.
    pub fn new(
        grid: &CycleGrid,
        stage: &Stage,
        limits: Limits,
        tones: [(f64, f64); 2],
        output_ohm: f64,
        load: Option<&Load>,
    ) -> Self {
        let (peak_v, hz) = tones[0];
        if (peak_v <= 0.0 && tones[1].0 <= 0.0) || limits == Limits::MUTE {
            return Self::default();
        }
        let (mut abs, mut square, mut mean, mut first) = (0.0, 0.0, 0.0, 0.0);
        for (k, s) in grid.sine.iter().enumerate() {
            let mut x = peak_v * s;
            if tones[1].0 > 0.0 {
                // The second tone is incommensurate: a golden-ratio sequence visits all its phases.
                x += tones[1].0 * (TAU * (k as f64 * 0.618_033_988_749_894_9).fract()).sin();
            }
            let e = stage.emf_v(x, limits);
            abs += e.abs();
            square += e * e;
            mean += e;
            first += e * s;
        }
        let n = grid.sine.len() as f64;
        let (abs, mean, first) = (abs / n, mean / n, 2.0 * first / n);
        let variance = (square / n - mean * mean).max(0.0);
        let Some(load) = load else {
            let out_vrms = variance.sqrt();
            return Self { mean_abs_a: 0.0, out_w: 0.0, out_vrms, fundamental_vpk: first };
        };
        match load {
            Load::Resistive { ohm } => {
                let (loop_ohm, divider) = (ohm + output_ohm, ohm / (ohm + output_ohm));
                Self {
                    mean_abs_a: abs / loop_ohm,
                    out_w: square / n / (loop_ohm * loop_ohm) * ohm,
                    out_vrms: variance.sqrt() * divider,
                    fundamental_vpk: first * divider,
                }
            }
            Load::Loudspeaker(_) => {
                // Harmonics hardly move the current of a rising impedance: the fundamental is used.
                let z = load.impedance(hz);
                let divider = (z / (z + Complex64::from(output_ohm))).norm();
                let current_apk = first / (z + Complex64::from(output_ohm)).norm();
                Self {
                    mean_abs_a: current_apk * 2.0 / PI,
                    out_w: 0.5 * current_apk * current_apk * z.re,
                    out_vrms: variance.sqrt() * divider,
                    fundamental_vpk: first * divider,
                }
            }
        }
    }
}

/// What the amplifier takes and wastes at one operating point; one value for each channel.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Demand {
    /// Current from the supply, A.
    pub supply_a: f64,
    /// Heat in each channel's output devices, W.
    pub die_w: Vec<f64>,
    /// All heat into the heatsink, W.
    pub heat_w: f64,
}

impl Demand {
    /// Nothing at all.
    pub fn none(channels: usize) -> Self {
        Demand { supply_a: 0.0, die_w: vec![0.0; channels], heat_w: 0.0 }
    }
}

/// Supply current and heat from the channels' cycles.
///
/// Class AB: each half cycle's current comes from one rail, so `P_rail = V_rail·mean|i|`. Class D:
/// `P_rail = P_out/efficiency`. `inner_v` is the converter's input voltage.
pub(crate) fn demand(spec: &AmplifierSpec, cycles: &[Cycle], rails_v: &[f64], inner_v: f64) -> Demand {
    let supply = &spec.physics.supply;
    if inner_v <= 0.0 {
        return Demand::none(cycles.len());
    }
    let idle_w = supply.idle_a * inner_v;
    let idle_each_w = idle_w / cycles.len().max(1) as f64;
    let mut die_w = Vec::with_capacity(cycles.len());
    let mut rail_w = 0.0;
    for (cycle, rail_v) in cycles.iter().zip(rails_v) {
        let w = match (spec.physics.output.kind, spec.physics.output.efficiency) {
            (OutputKind::ClassD, Some(efficiency)) => cycle.out_w / efficiency,
            (OutputKind::ClassAb | OutputKind::ClassD, _) => rail_v * cycle.mean_abs_a,
        };
        rail_w += w;
        die_w.push((w - cycle.out_w).max(0.0) + idle_each_w);
    }
    let converted_w = rail_w / supply.converter_efficiency;
    Demand {
        supply_a: supply.idle_a + converted_w / inner_v,
        heat_w: die_w.iter().sum::<f64>() + converted_w - rail_w,
        die_w,
    }
}
