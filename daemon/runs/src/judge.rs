//! Rated against measured: from a ceiling, the bench's calibration and the captures around it to a budget and a
//! verdict.

use serde::{Deserialize, Serialize};
use wattproof_bench::{BenchFile, CalibrationState, Measures};
use wattproof_method::{
    Budget, COVERAGE, Ceiling, Exponents, Judged, NegativeSide, PowerModel, Quantity, Verdict, Within,
};

use crate::delivered::Spent;
use crate::inputs::{gain, gain_calibration, offset, state};
use crate::volts::{JudgedVolts, VoltsResult, judge_volts};
use crate::{ChannelStep, Rating, Step};

/// Beyond this phase a load is no resistor, and its resistance corrects nothing, degrees.
const RESISTIVE_DEG: f64 = 5.0;
/// Captures at levels no further apart than this are repeats of each other, dB.
const SAME_LEVEL_DB: f64 = 0.003;
/// Repeats further below the ceiling than this tell nothing of it, dB.
const NEAR_CEILING_DB: f64 = 1.0;
/// Repeats must differ by so many of their own standard uncertainties to count as drift.
const DRIFT_SIGMA: f64 = 4.0;
/// Bandwidth in which the noise of a capture is told, Hz.
pub(crate) const NOISE_BAND_HZ: f64 = 20_000.0;

/// A judged rating.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct RatingResult {
    /// Which rating, from 1.
    pub rating: usize,
    /// The claim.
    pub claim: Rating,
    /// Load that was set, ohm; absent in records of old, where it is the rated one.
    #[serde(default)]
    pub load_ohm_set: Option<f64>,
    /// Measured power at the rating's own conditions, W (weakest of the driven channels); absent where volts are rated.
    pub measured_w: Option<f64>,
    /// Power as indicated, before its correction, W; likewise.
    pub indicated_w: Option<f64>,
    /// Measured over indicated: what the load as measured says about the rated load.
    pub correction: f64,
    /// Expanded uncertainty of the measured power, W; likewise.
    pub expanded_u_w: Option<f64>,
    /// Probability with which ± the expanded uncertainty holds the true value, %.
    pub coverage_pct: f64,
    /// Measured over rated.
    pub ratio: f64,
    /// The same in dB.
    pub ratio_db: Option<f64>,
    /// The verdict with guard band.
    pub verdict: Verdict,
    /// The verdict spelled out with its numbers.
    pub verdict_words: String,
    /// Probability that the rating is met (JCGM 106:2012, 7.2).
    pub probability_met: Option<f64>,
    /// What to know beside the numbers.
    pub notes: Vec<String>,
    /// The capture below the ceiling and the one above it, by step number.
    pub below_step: Option<u64>,
    /// The capture above the ceiling, by step number.
    pub above_step: Option<u64>,
    /// What finding it out took of the amplifier.
    pub spent: Spent,
    /// The ceiling it rests on.
    pub ceiling: Ceiling,
    /// What the uncertainty of the power is made of; absent where volts are rated.
    pub budget: Option<Budget>,
    /// What a rating in volts came to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volts: Option<VoltsResult>,
    /// How the calibration of the worse of both inputs stood on the day on which the run began.
    #[serde(default)]
    pub calibration: CalibrationState,
}

impl RatingResult {
    /// U over the standard uncertainty.
    #[must_use]
    pub fn coverage_factor(&self) -> f64 {
        let of_volts = self.volts.as_ref().map(|volts| volts.coverage_factor);
        self.budget.as_ref().map(|budget| budget.coverage_factor).or(of_volts).unwrap_or(f64::NAN)
    }

    /// Rated, measured and U: all in W, or all in V rms where volts are rated.
    #[must_use]
    pub fn figures(&self) -> (f64, f64, f64) {
        let in_volts =
            self.volts.as_ref().map(|volts| (volts.rated_vrms, volts.measured_vrms, volts.expanded_u_vrms));
        let of = |value: Option<f64>| value.unwrap_or(f64::NAN);
        in_volts.unwrap_or((of(self.claim.watts), of(self.measured_w), of(self.expanded_u_w)))
    }

    /// Effective degrees of freedom; absent when unbounded.
    #[must_use]
    pub fn effective_degrees(&self) -> Option<f64> {
        let of_volts = self.volts.as_ref().and_then(|volts| volts.effective_degrees);
        self.budget.as_ref().and_then(|budget| budget.effective_degrees).or(of_volts)
    }
}

/// Judges a ceiling against a claim with the bench's calibration as it stood on the day `begun`, `YYYY-MM-DD`. `steps` are
/// those that served this rating.
pub fn judge_rating(
    bench: &BenchFile,
    begun: &str,
    rating: usize,
    claim: &Rating,
    ceiling: Ceiling,
    steps: &[&Step],
    spent: Spent,
) -> RatingResult {
    let mut notes = Vec::new();
    let quantity = claim.quantity();
    let serving = Serving { steps, quantity, weakest: weakest(&ceiling) };
    let near = serving.nearest(ceiling.level_vrms);
    let calibration = calibration(bench, begun, claim, &ceiling, shares(near), &mut notes);
    let Figures { judged, correction, probability_met, watts, volts } = match claim.out_vrms {
        Some(rated_vrms) if quantity == Quantity::Volts => {
            notes.extend(supply_note(bench, claim, near.map(|(step, _)| step)));
            let found = judge_volts(bench, begun, claim, rated_vrms, &ceiling, &serving);
            let JudgedVolts { result, correction, judged, probability_met } = found;
            Figures { judged, correction, probability_met, watts: None, volts: Some(result) }
        }
        _ => in_watts(bench, begun, claim, &ceiling, &serving, &mut notes),
    };
    let load_ohm_set = near.map(|(step, _)| step.load_ohm);
    if let Some(ohm) = load_ohm_set.filter(|ohm| *ohm != claim.load_ohm) {
        let what = if quantity == Quantity::Volts { "voltage" } else { "power" };
        notes.push(format!(
            "the load was {ohm} ohm where {} ohm is rated: the {what} is that at {} ohm, by what bounds the output",
            claim.load_ohm, claim.load_ohm
        ));
    }
    let step_of = |level_vrms: Option<f64>| {
        let level_vrms = level_vrms?;
        let same = |step: &&&Step| (step.level_vrms / level_vrms - 1.0).abs() < 1e-9;
        steps.iter().find(same).map(|step| step.step)
    };
    RatingResult {
        rating,
        claim: claim.clone(),
        load_ohm_set,
        measured_w: watts.is_some().then_some(judged.measured),
        indicated_w: watts.is_some().then_some(ceiling.power_w),
        correction,
        expanded_u_w: watts.is_some().then_some(judged.expanded),
        coverage_pct: 100.0 * COVERAGE,
        ratio: judged.ratio,
        ratio_db: judged.ratio_db,
        verdict: judged.verdict,
        verdict_words: judged.words(),
        probability_met,
        notes,
        below_step: step_of(ceiling.below.map(|bracket| bracket.level_vrms)),
        above_step: step_of(ceiling.above.map(|bracket| bracket.level_vrms)),
        spent,
        calibration,
        ceiling,
        budget: watts,
        volts,
    }
}

/// What a judgement comes to, with its budget in W or in V.
struct Figures {
    judged: Judged,
    correction: f64,
    probability_met: Option<f64>,
    watts: Option<Budget>,
    volts: Option<VoltsResult>,
}

fn in_watts(
    bench: &BenchFile,
    begun: &str,
    claim: &Rating,
    ceiling: &Ceiling,
    serving: &Serving<'_>,
    notes: &mut Vec<String>,
) -> Figures {
    let model = model(bench, begun, claim, ceiling, serving, notes);
    let evaluated = model.evaluate();
    if let (true, Some(ohm)) = (evaluated.load_refuted, model.load_ohm_measured) {
        notes.push(format!(
            "the load measured {ohm:.4} ohm, which {} ohm ± {} % can't be (leads, heat, a wrong load?): the power is that at {} ohm, by the resistance as measured",
            model.load_ohm_set.unwrap_or(claim.load_ohm), bench.load.tolerance_pct, claim.load_ohm
        ));
    }
    let (budget, rated_w) = (evaluated.budget, claim.load_w());
    Figures {
        judged: Judged::new(rated_w, budget.power_w, budget.expanded_u_w),
        correction: evaluated.correction,
        probability_met: budget.probability_reached(rated_w),
        watts: Some(budget),
        volts: None,
    }
}

/// Shares of the output voltage on both sides of a bridge measured by two dividers; else the one input has it all.
fn shares(near: Option<(&Step, &ChannelStep)>) -> [f64; 2] {
    match near.and_then(|(_, channel)| channel.sides_vrms) {
        Some([positive, negative]) if positive > 0.0 && negative > 0.0 => {
            [positive / (positive + negative), negative / (positive + negative)]
        }
        _ => [1.0, 0.0],
    }
}

/// How the calibration of the weakest channel's inputs stands, the worst of all, with a note of what it does not reach.
fn calibration(
    bench: &BenchFile,
    begun: &str,
    claim: &Rating,
    ceiling: &Ceiling,
    shares: [f64; 2],
    notes: &mut Vec<String>,
) -> CalibrationState {
    let number = u32::try_from(weakest(ceiling) + 1).unwrap_or(u32::MAX);
    let (volts, amps) = (bench.inputs(number, Measures::Volts), bench.inputs(number, Measures::Amps));
    let in_volts = claim.quantity() == Quantity::Volts;
    let some = !volts.is_empty() && (in_volts || !amps.is_empty());
    let mut worst = if some { CalibrationState::Valid } else { CalibrationState::Missing };
    let words =
        if volts.len() > 1 { ["positive side's voltage", "negative side's voltage"] } else { ["voltage"; 2] };
    let sides = volts.into_iter().zip(words).zip(shares);
    let volts = sides.map(|((input, word), share)| (input, word, "V", share * ceiling.out_vrms));
    let load_ohm = ceiling.load_ohm_measured.unwrap_or(f64::INFINITY);
    let amps = amps.into_iter().filter(|_| !in_volts);
    let amps = amps.map(|input| (input, "current", "A", ceiling.out_vrms / load_ohm));
    for (input, word, unit, reading) in volts.chain(amps) {
        let stands = state(Some(input), begun);
        worst = worst.max(stands);
        let Some(made) = &input.calibration else { continue };
        if stands == CalibrationState::Expired {
            notes.push(format!(
                "the {word} input's calibration was due on {}, {:.0} days before the run: U holds what it may have drifted since",
                made.due,
                made.overdue_days(begun)
            ));
        }
        if reading > 1.05 * made.highest {
            notes.push(format!(
                "the {word} at the ceiling, {reading:.3} {unit}, lies beyond {:.3} {unit}, the highest that was calibrated: its linearity there is taken on trust",
                made.highest
            ));
        }
    }
    worst
}

/// The measurement model of one ceiling. Every tolerance is known only by its half-width, hence rectangular
/// (JCGM 100, 4.3.7).
fn model(
    bench: &BenchFile,
    begun: &str,
    claim: &Rating,
    ceiling: &Ceiling,
    serving: &Serving<'_>,
    notes: &mut Vec<String>,
) -> PowerModel {
    let weakest = serving.weakest;
    let near = serving.nearest(ceiling.level_vrms);
    let reading = near.map(|(_, channel)| &channel.reading);
    let measured_ohm = reading.and_then(|reading| reading.load_ohm_measured);
    let phase_deg = reading.and_then(|reading| reading.phase_deg);
    let reactive = phase_deg.filter(|phase| phase.abs() > RESISTIVE_DEG);
    if let Some(phase) = reactive {
        notes.push(format!(
            "the load turns the phase by {phase:.1}°: it is no resistor, the power is not corrected for it"
        ));
    }
    notes.extend(supply_note(bench, claim, near.map(|(step, _)| step)));
    let number = u32::try_from(weakest + 1).unwrap_or(u32::MAX);
    let (volts, amps) = (bench.inputs(number, Measures::Volts), bench.inputs(number, Measures::Amps));
    let (volts, other, amps) = (volts.first().copied(), volts.get(1).copied(), amps.first().copied());
    let [positive, negative] = shares(near);
    let dc_v = reading.and_then(|reading| reading.dc_v).unwrap_or_default();
    let relative = |pct: f64| Within { half_width: pct / 100.0, source: "bench file".to_string() };
    let digitizer = &bench.digitizer;
    let duration_s = digitizer.samples as f64 / digitizer.rate_hz;
    PowerModel {
        indicated_w: ceiling.power_w,
        hz: claim.hz,
        phase_deg,
        dc_v,
        dc_a: dc_v / measured_ohm.unwrap_or(claim.load_ohm),
        volts_gain: gain(volts, begun),
        amps_gain: gain(amps, begun),
        negative: other.map(|side| NegativeSide {
            share: negative,
            gain: gain(Some(side), begun),
            calibration: gain_calibration(Some(side), negative * ceiling.out_vrms),
            offset: offset(Some(side), begun),
        }),
        volts_calibration: gain_calibration(volts, positive * ceiling.out_vrms),
        amps_calibration: gain_calibration(amps, ceiling.out_vrms / measured_ohm.unwrap_or(claim.load_ohm)),
        common_gain: relative(digitizer.gain_tolerance_pct.unwrap_or_default()),
        volts_offset: offset(volts, begun),
        amps_offset: offset(amps, begun),
        skew_s: Within {
            half_width: digitizer.skew_s(),
            source: stated_or(digitizer.skew_ns, "tenth of a sample interval"),
        },
        load_ohm: claim.load_ohm,
        load_ohm_set: near.map(|(step, _)| step.load_ohm).filter(|_| reactive.is_none()),
        load: relative(bench.load.tolerance_pct),
        load_ohm_measured: measured_ohm.filter(|_| reactive.is_none()),
        load_ohm_noise: reading.and_then(|reading| reading.u.load_ohm_measured),
        supply: relative(bench.supply.tolerance_pct),
        exponents: Some(Exponents::of(ceiling.cause)),
        // Half of 2·B·T: the window of the fit leaves no more.
        noise_w: reading
            .and_then(|reading| reading.u.active_w)
            .map(|u_w| (u_w, (NOISE_BAND_HZ * duration_s).max(1.0))),
        interpolation_w: ceiling.u_interpolation_w,
        drift: serving.drift(ceiling.level_vrms),
        others_w: (ceiling.power_w_each.iter().enumerate())
            .filter(|(index, _)| *index != weakest)
            .map(|(_, watts)| *watts)
            .collect(),
    }
}

/// Index of the weakest driven channel, from 0.
fn weakest(ceiling: &Ceiling) -> usize {
    let each = ceiling.power_w_each.iter().enumerate();
    each.min_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |(index, _)| index)
}

/// The steps that served a rating, and of what the weakest channel is judged by.
pub(crate) struct Serving<'a> {
    pub steps: &'a [&'a Step],
    pub quantity: Quantity,
    /// Index of the weakest driven channel, from 0.
    pub weakest: usize,
}

impl<'a> Serving<'a> {
    /// The step nearest to a level, with its channel.
    pub fn nearest(&self, level_vrms: f64) -> Option<(&'a Step, &'a ChannelStep)> {
        let usable = self.steps.iter().filter_map(|step| Some((*step, self.driven(step)?.0)));
        let distance = |step: &Step| (step.level_vrms / level_vrms).ln().abs();
        usable.min_by(|a, b| distance(a.0).total_cmp(&distance(b.0)))
    }

    /// The channel in a step, with its power or voltage and the noise of that, where it has one.
    fn driven<'b>(&self, step: &'b Step) -> Option<(&'b ChannelStep, f64, f64)> {
        let channel = step.driven().nth(self.weakest)?;
        let reading = &channel.reading;
        let (value, u) = match self.quantity {
            Quantity::Watts => (reading.active_w, reading.u.active_w),
            Quantity::Volts => (reading.band_vrms, reading.u.band_vrms),
        };
        Some((channel, value.filter(|value| *value > 0.0)?, u.unwrap_or_default()))
    }

    /// The largest change between repeats at one level near the ceiling, where it is more than their noise.
    pub fn drift(&self, level_vrms: f64) -> Option<Within> {
        let db = |step: &Step| 20.0 * (step.level_vrms / level_vrms).log10();
        let near: Vec<(f64, f64, f64, &Step)> = self
            .steps
            .iter()
            .filter(|step| db(step).abs() <= NEAR_CEILING_DB)
            .filter_map(|step| {
                let (_, value, u) = self.driven(step)?;
                Some((db(step), value, u / value, *step))
            })
            .collect();
        let pairs = near.iter().enumerate().flat_map(|(i, a)| near[i + 1..].iter().map(move |b| (a, b)));
        let repeats = pairs.filter(|(a, b)| (a.0 - b.0).abs() <= SAME_LEVEL_DB);
        let changes = repeats.filter_map(|(a, b)| {
            let change = (b.1 / a.1).ln();
            (change.abs() > DRIFT_SIGMA * a.2.hypot(b.2)).then_some((change, a.3.step, b.3.step))
        });
        let (change, first, second) = changes.max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
        Some(Within {
            half_width: change.abs(),
            source: format!("steps {first} and {second}: {:+.2} % at the same drive", 100.0 * change),
        })
    }
}

/// Where a figure stands, or what is taken for it.
pub(crate) fn stated_or(stated: Option<f64>, assumed: &str) -> String {
    if stated.is_some() { "bench file".to_string() } else { format!("assumed: {assumed}") }
}

/// A supply that gave way under load: the condition of the claim did not quite hold.
fn supply_note(bench: &BenchFile, claim: &Rating, near: Option<&Step>) -> Option<String> {
    let supply_v = near?.supply_v?;
    let off_pct = 100.0 * (supply_v / claim.supply_v - 1.0);
    // Setting and reading back may each be off by the tolerance.
    (off_pct.abs() > 2.0 * bench.supply.tolerance_pct).then(|| {
        format!(
            "the supply read {supply_v:.3} V at the ceiling where {} V is rated ({off_pct:+.2} %): the power is not corrected for it",
            claim.supply_v
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use wattproof_signal::{Reading, Uncertainty};

    /// A step with one driven channel.
    fn step(number: u64, level_vrms: f64, active_w: f64, u_w: f64) -> Step {
        let u = Uncertainty { active_w: Some(u_w), ..Uncertainty::default() };
        let reading = Reading { active_w: Some(active_w), u, ..Reading::default() };
        Step {
            step: number,
            at_s: number as f64,
            purpose: "test".into(),
            rating: Some(1),
            level_vrms,
            hz: 1000.0,
            load_ohm: 4.0,
            supply_v_set: 14.4,
            supply_v: None,
            supply_a: None,
            supply_w: None,
            efficiency_pct: None,
            heatsink_c: None,
            temperatures: Vec::new(),
            channels: vec![ChannelStep {
                channel: 1,
                driven: true,
                gain_db: None,
                reading,
                bridged: false,
                sides_vrms: None,
            }],
        }
    }

    fn serving<'a>(steps: &'a [&'a Step], weakest: usize) -> Serving<'a> {
        Serving { steps, quantity: Quantity::Watts, weakest }
    }

    fn drift(steps: &[&Step], level_vrms: f64, weakest: usize) -> Option<Within> {
        serving(steps, weakest).drift(level_vrms)
    }

    /// Half-width by definition: the whole difference of two repeats, in natural logarithm.
    #[test]
    fn drift_is_what_repeats_near_the_ceiling_show() {
        let steps = [
            step(1, 1.0, 100.0, 0.001),
            step(2, 1.0, 98.0, 0.001),
            // Another level, and a pair far below: neither is a repeat near the ceiling.
            step(3, 0.99, 90.0, 0.001),
            step(4, 0.5, 25.0, 0.001),
            step(5, 0.5, 20.0, 0.001),
        ];
        let steps: Vec<&Step> = steps.iter().collect();
        let found = drift(&steps, 1.0, 0).unwrap();
        assert!((found.half_width - (100.0f64 / 98.0).ln()).abs() < 1e-12);
        assert!(found.source.contains("steps 1 and 2"), "{}", found.source);
        assert!(drift(&steps[2..], 1.0, 0).is_none(), "nothing was repeated near the ceiling");
        assert!(drift(&steps, 1.0, 1).is_none(), "there is no second channel");
        // Within four standard uncertainties of the difference, repeats agree.
        let (a, b) = (step(1, 1.0, 100.0, 0.5), step(2, 1.0, 98.0, 0.5));
        assert!(drift(&[&a, &b], 1.0, 0).is_none());
    }

    #[test]
    fn the_nearest_step_is_the_nearest_in_level_that_has_a_power() {
        let refused = Step { channels: Vec::new(), ..step(3, 1.0, 1.0, 0.1) };
        let steps = [step(1, 0.5, 25.0, 0.1), step(2, 1.1, 121.0, 0.1), refused];
        let steps: Vec<&Step> = steps.iter().collect();
        assert_eq!(serving(&steps, 0).nearest(1.0).unwrap().0.step, 2);
        assert!(serving(&[], 0).nearest(1.0).is_none());
    }
}
