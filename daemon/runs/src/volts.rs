//! Rated against measured where the rating is an output voltage: of a line stage, whose current is not measured.

use serde::{Deserialize, Serialize};
use wattproof_bench::{BenchFile, Measures};
use wattproof_method::{Budget, Ceiling, Contribution, Judged, Kind, Quantity, Shape, VoltsModel, Within};

use crate::Rating;
use crate::inputs::{gain, gain_calibration};
use crate::judge::{NOISE_BAND_HZ, Serving};

/// What a rating in volts came to. All voltages are those within 20 Hz to 20 kHz, of the weakest driven channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VoltsResult {
    /// Rated output voltage, V rms.
    pub rated_vrms: f64,
    /// Measured output voltage at these conditions, V rms.
    pub measured_vrms: f64,
    /// Combined standard uncertainty, V rms.
    pub standard_u_vrms: f64,
    /// Expanded uncertainty U, V rms.
    pub expanded_u_vrms: f64,
    /// Voltage as indicated, before its correction to the rated load, V rms.
    pub indicated_vrms: f64,
    /// U over the standard uncertainty.
    pub coverage_factor: f64,
    /// Effective degrees of freedom; absent when unbounded.
    pub effective_degrees: Option<f64>,
    /// Student's factor for them.
    pub t_factor: f64,
    /// What the uncertainty is made of.
    pub budget: Vec<VoltsPart>,
}

/// One input of a measured voltage and what its uncertainty does to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VoltsPart {
    /// What it is.
    pub name: String,
    /// Statistical or other evaluation.
    pub kind: Kind,
    /// How the stated figure is distributed.
    pub distribution: Shape,
    /// The stated figure, in `unit`.
    pub stated: f64,
    /// Its unit.
    pub unit: String,
    /// From the stated figure to a standard uncertainty.
    pub divisor: f64,
    /// Change of the voltage with the input, V rms per `unit`.
    pub sensitivity: f64,
    /// Standard uncertainty of the voltage by this input, V rms.
    pub u_vrms: f64,
    /// Its share in the variance, %.
    pub share_pct: f64,
    /// Degrees of freedom; absent counts as infinitely many.
    pub degrees: Option<f64>,
    /// Where the figure comes from.
    pub source: String,
}

impl From<Contribution> for VoltsPart {
    fn from(part: Contribution) -> Self {
        let Contribution { name, kind, distribution, stated, unit, divisor, sensitivity, .. } = part;
        let Contribution { u_w: u_vrms, share_pct, degrees, source, .. } = part;
        Self {
            name,
            kind,
            distribution,
            stated,
            unit,
            divisor,
            sensitivity,
            u_vrms,
            share_pct,
            degrees,
            source,
        }
    }
}

/// A judged voltage with what every judged rating has.
pub(crate) struct JudgedVolts {
    pub result: VoltsResult,
    pub correction: f64,
    pub judged: Judged,
    pub probability_met: Option<f64>,
}

/// Judges the voltage of a ceiling that was searched without a current.
pub(crate) fn judge_volts(
    bench: &BenchFile,
    begun: &str,
    claim: &Rating,
    rated_vrms: f64,
    ceiling: &Ceiling,
    serving: &Serving<'_>,
) -> JudgedVolts {
    let near = serving.nearest(ceiling.level_vrms);
    let load_ohm = near.map_or(claim.load_ohm, |(step, _)| step.load_ohm);
    // The search counts what the load that was set takes at that voltage.
    let volts = |power_w: f64| (power_w * load_ohm).sqrt();
    let indicated_vrms = volts(ceiling.power_w);
    let number = u32::try_from(serving.weakest + 1).unwrap_or(u32::MAX);
    let input = bench.inputs(number, Measures::Volts).first().copied();
    let relative = |pct: f64| Within { half_width: pct / 100.0, source: "bench file".to_string() };
    let digitizer = &bench.digitizer;
    let duration_s = digitizer.samples as f64 / digitizer.rate_hz;
    let others = ceiling.power_w_each.iter().enumerate().filter(|(index, _)| *index != serving.weakest);
    let model = VoltsModel {
        indicated_vrms,
        volts_gain: gain(input, begun),
        volts_calibration: gain_calibration(input, indicated_vrms),
        common_gain: relative(digitizer.gain_tolerance_pct.unwrap_or_default()),
        load_ohm: claim.load_ohm,
        load_ohm_set: near.map(|(step, _)| step.load_ohm),
        load: relative(bench.load.tolerance_pct),
        supply: relative(bench.supply.tolerance_pct),
        cause: Some(ceiling.cause),
        noise_vrms: near
            .and_then(|(_, channel)| channel.reading.u.band_vrms)
            .map(|u_vrms| (u_vrms, (NOISE_BAND_HZ * duration_s).max(1.0))),
        // Half of a power's share is a voltage's.
        interpolation_vrms: 0.5 * indicated_vrms * ceiling.u_interpolation_w / ceiling.power_w,
        drift: serving.drift(ceiling.level_vrms),
        others_vrms: others.map(|(_, power_w)| volts(*power_w)).collect(),
    };
    let (correction, budget) = model.evaluate();
    JudgedVolts {
        correction,
        judged: Judged::of(Quantity::Volts, rated_vrms, budget.power_w, budget.expanded_u_w),
        probability_met: budget.probability_reached(rated_vrms),
        result: result(rated_vrms, indicated_vrms, budget),
    }
}

fn result(rated_vrms: f64, indicated_vrms: f64, budget: Budget) -> VoltsResult {
    VoltsResult {
        rated_vrms,
        measured_vrms: budget.power_w,
        standard_u_vrms: budget.standard_u_w,
        expanded_u_vrms: budget.expanded_u_w,
        indicated_vrms,
        coverage_factor: budget.coverage_factor,
        effective_degrees: budget.effective_degrees,
        t_factor: budget.t_factor,
        budget: budget.contributions.into_iter().map(VoltsPart::from).collect(),
    }
}
