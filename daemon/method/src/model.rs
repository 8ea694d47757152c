//! The measurement model of a power: from what was indicated to the power at the rating's own load and supply, and
//! which input moves it by how much.
//!
//! With v = (1+g_V)(1+g_C)(v_ind − o_V), i alike, current sampled τ late against voltage, load R = R₀(1+λ) and
//! supply V = V₀(1+ν):
//!
//! P = (1+g_V)(1+g_I)(1+g_C)² · [P_ind (cos 2πfτ + tan φ sin 2πfτ) − o_V I_dc − o_I V_dc + o_V o_I]
//!     · (R̂/R₀)^s · (1+ν)^(−e) + ε
//!
//! * Of a bridge measured by two dividers g_V is the sum of both gains by their shares, o_V the difference of both
//!   offsets (see [`NegativeSide`]).
//! * g_C (converter's reference) acts on both channels at once, hence twice.
//! * R̂ is the load as it was: what the bench states (R_s, within λ; R₀ unless another tap was set) and what was
//!   measured (R_m, which errs by g_V − g_I), ln(R̂/R₀) = w (ln(R_m/R₀) + g_V − g_I) + (1−w) (ln(R_s/R₀) + λ). So
//!   both gains act twice; w is what gives the power its least variance. A resistance that the tolerances can't explain
//!   refutes the bench's statement: w = 1.
//! * s and e are what the cause implies (see [`Exponents`]).
//! * ε: noise of the capture, interpolation of the search.

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use crate::bridge::NegativeSide;
use crate::budget::{Budget, Contribution, Shape};
use crate::cause::Cause;
use crate::propagate::sensitivities;

/// A half-width within which an input lies, all values alike likely (JCGM 100, 4.3.7), and where it is stated.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Within {
    /// Half-width, in the input's unit.
    pub half_width: f64,
    /// Where it is stated, as "bench file".
    pub source: String,
}

/// What a calibration leaves open of a gain, relative. Nothing, where none was made.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Calibrated {
    /// Standard uncertainty.
    pub standard: f64,
    /// Its effective degrees of freedom; `None` is unbounded.
    pub degrees: Option<f64>,
    /// Departure from the straight line, at the reading that counts.
    pub linearity: Within,
    /// Where it is stated.
    pub source: String,
}

impl Calibrated {
    /// Half-width of the rectangle that has the same variance, together with one of `half_width`.
    fn together(&self, half_width: f64) -> f64 {
        half_width.hypot(3f64.sqrt() * self.standard).hypot(self.linearity.half_width)
    }

    /// What it may be off by at most, together with `half_width`; three deviations of what is normal.
    fn at_most(&self, half_width: f64) -> f64 {
        half_width + 3.0 * self.standard + self.linearity.half_width
    }
}

/// How power follows load resistance and supply voltage where a cause bounds it: P ∝ R^(−load), P ∝ V^supply.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Exponents {
    /// Of the load: 1 where the voltage is bounded, −1 where the current is.
    pub load: f64,
    /// Half-width of that, for what the cause doesn't tell.
    pub load_half_width: f64,
    /// Of the supply: 2 where its rails bound the output, 0 where something else does.
    pub supply: f64,
}

impl Exponents {
    /// What a cause implies (own reasoning from V²/R and I²·R, no source). Where the cause doesn't tell, the
    /// steeper one: it makes U wider, never narrower.
    #[must_use]
    pub fn of(cause: Cause) -> Self {
        let of = |load, load_half_width, supply| Self { load, load_half_width, supply };
        match cause {
            // Rails that follow the supply bound the voltage. A regulated amplifier follows less: 2 overstates.
            Cause::Clipping | Cause::SoftClipping => of(1.0, 0.2, 2.0),
            // A supply of some resistance lies between bounded voltage and bounded current.
            Cause::Sag => of(0.75, 0.5, 2.0),
            // A threshold of its own, on voltage or on power: neither follows the supply.
            Cause::Limiting => of(0.5, 0.5, 0.0),
            // Gain times the highest drive: a voltage, whatever the supply.
            Cause::DriveExhausted => of(1.0, 0.2, 0.0),
            Cause::CurrentLimit => of(-1.0, 0.2, 0.0),
            // Heat, protection, undetermined: bounded by voltage or by current.
            _ => of(0.0, 1.0, 2.0),
        }
    }
}

/// Everything that a measured power rests on. Gains are relative; offsets are at the amplifier's output.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PowerModel {
    /// Indicated power, W: mean of v·i over whole cycles, at the ceiling.
    pub indicated_w: f64,
    /// Test frequency, Hz.
    pub hz: f64,
    /// Phase of voltage over current as measured, degrees; `None` counts as 0.
    pub phase_deg: Option<f64>,
    /// Mean voltage as measured, V.
    pub dc_v: f64,
    /// Mean current as measured, A.
    pub dc_a: f64,
    /// Gain of the voltage channel: divider and its amplifier, relative. Where it was calibrated, what it may have
    /// drifted. Of a bridge measured by two dividers this, its calibration and its offset are the positive side's.
    pub volts_gain: Within,
    /// The other side of a bridge measured by two dividers.
    pub negative: Option<NegativeSide>,
    /// Gain of the current channel: shunt or sensor and its amplifier, relative. Likewise.
    pub amps_gain: Within,
    /// What a calibration of the voltage channel leaves open.
    pub volts_calibration: Calibrated,
    /// What a calibration of the current channel leaves open.
    pub amps_calibration: Calibrated,
    /// Gain that both channels share: the converter's reference, relative.
    pub common_gain: Within,
    /// Offset of the voltage channel, V.
    pub volts_offset: Within,
    /// Offset of the current channel, A.
    pub amps_offset: Within,
    /// Time by which the current is sampled late against the voltage, s.
    pub skew_s: Within,
    /// Rated load, ohm.
    pub load_ohm: f64,
    /// Load that was set, ohm, where that is another one than rated; `None` counts as the rated load.
    pub load_ohm_set: Option<f64>,
    /// Load tolerance as the bench states it, relative.
    pub load: Within,
    /// Load as measured, ohm; `None` for none, or for a load that isn't resistive.
    pub load_ohm_measured: Option<f64>,
    /// Standard uncertainty of the measured load from the noise of the capture, ohm; `None` counts as 0.
    pub load_ohm_noise: Option<f64>,
    /// Supply voltage's tolerance, relative.
    pub supply: Within,
    /// How power follows load and supply; `None` counts as voltage-bounded by the supply.
    pub exponents: Option<Exponents>,
    /// Noise of the capture: standard uncertainty in W and its degrees of freedom. Type A.
    pub noise_w: Option<(f64, f64)>,
    /// Interpolation of the ceiling search: standard uncertainty, W.
    pub interpolation_w: f64,
    /// Drift by heat: half-width, relative. Only where captures show it.
    pub drift: Option<Within>,
    /// Indicated powers of the other driven channels, W: those that can't be told from the weakest widen U.
    pub others_w: Vec<f64>,
}

/// A power with its correction and its budget.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluated {
    /// Corrected over indicated power.
    pub correction: f64,
    /// Weight of the measured load against the stated one, 0 to 1; absent where no load was measured.
    pub load_weight: Option<f64>,
    /// True if the load measured can't be what the bench states.
    pub load_refuted: bool,
    /// The corrected power and its uncertainty.
    pub budget: Budget,
}

/// A channel within so many standard uncertainties of the weakest may in truth be the weakest.
const RIVAL_SIGMA: f64 = 4.0;
/// Inputs of the model that are zero by expectation, in the order of [`PowerModel::errors`].
const SKEW: usize = 5;
const NEGATIVE_GAIN: usize = 8;
const NEGATIVE_OFFSET: usize = 9;

impl PowerModel {
    /// The power at the rating's own conditions with its budget.
    #[must_use]
    pub fn evaluate(&self) -> Evaluated {
        let (weight, refuted) = self.load_weight();
        let errors = self.errors();
        let mut u: Vec<f64> = errors.iter().map(|(.., within)| within.half_width / 3f64.sqrt()).collect();
        // Those of both gains with their calibrations: where the equation is bent, it bends by all of it.
        let negative = self
            .negative
            .as_ref()
            .map(|side| (NEGATIVE_GAIN, side.calibration.together(side.gain.half_width)));
        let [positive, amps] = self.own_gains();
        for (index, half_width) in [(0, positive), (1, amps)].into_iter().chain(negative) {
            if let Some(u) = u.get_mut(index) {
                *u = half_width / 3f64.sqrt();
            }
        }
        let expected = vec![0.0; errors.len()];
        let power_w = self.power_w(&expected, weight);
        let slopes = sensitivities(|inputs| self.power_w(inputs, weight), &expected, &u);
        let calibrations = self.calibrations(&slopes);
        let rows = errors.iter().zip(slopes).map(|((name, unit, scale, within), slope)| {
            // Stated in the unit that a person wrote it in.
            let stated = within.half_width * scale;
            Contribution::new(name, Shape::Rectangular, stated, unit, slope / scale)
                .from(within.source.as_str())
        });
        let mut list: Vec<Contribution> = rows.collect();
        list.extend(calibrations);
        list.extend(self.second_order(power_w));
        list.extend(self.load_reading(power_w, weight));
        list.extend(self.load_exponent(power_w, weight));
        list.push(
            Contribution::new("interpolation", Shape::Normal, self.interpolation_w, "W", 1.0)
                .from("ceiling search"),
        );
        list.extend(self.noise_w.map(|(u_w, degrees)| {
            Contribution::new("noise", Shape::Normal, u_w, "W", 1.0)
                .by_statistics(degrees)
                .from("noise of one capture")
        }));
        list.extend(self.drift.as_ref().map(|drift| {
            let stated_pct = drift.half_width * 100.0;
            Contribution::new("thermal drift", Shape::Rectangular, stated_pct, "%", power_w / 100.0)
                .from(drift.source.as_str())
        }));
        Evaluated {
            correction: power_w / self.indicated_w,
            load_weight: self.load_ohm_measured.map(|_| weight),
            load_refuted: refuted,
            budget: self.budget(power_w, list),
        }
    }

    /// The budget, wider where several channels are as weak as the weakest as far as can be told.
    fn budget(&self, power_w: f64, list: Vec<Contribution>) -> Budget {
        let budget = Budget::new(power_w, list);
        let reach_w = RIVAL_SIGMA * budget.standard_u_w;
        let rivals = self.others_w.iter().filter(|other_w| (*other_w - self.indicated_w).abs() <= reach_w);
        match 1 + rivals.count() {
            alone if alone <= 2 => budget,
            rivals => Budget::of_weakest(power_w, budget.contributions, rivals),
        }
    }

    /// Inputs that are 0 by expectation: name, unit as stated, units stated per unit of the model, half-width.
    fn errors(&self) -> Vec<(&'static str, &'static str, f64, &Within)> {
        let mut all = vec![
            ("voltage gain", "%", 100.0, &self.volts_gain),
            ("current gain", "%", 100.0, &self.amps_gain),
            ("converter gain (both)", "%", 100.0, &self.common_gain),
            ("voltage offset", "V", 1.0, &self.volts_offset),
            ("current offset", "A", 1.0, &self.amps_offset),
            ("channel skew", "ns", 1e9, &self.skew_s),
            ("load resistance", "%", 100.0, &self.load),
            ("supply voltage", "%", 100.0, &self.supply),
        ];
        if let Some(side) = &self.negative {
            all.push(("voltage gain, negative side", "%", 100.0, &side.gain));
            all.push(("voltage offset, negative side", "V", 1.0, &side.offset));
        }
        all
    }

    /// Shares of the output voltage that the positive and the negative side of a bridge carry; else there is one side.
    fn shares(&self) -> (f64, f64) {
        self.negative.as_ref().map_or((1.0, 0.0), |side| (1.0 - side.share, side.share))
    }

    /// The model's equation.
    fn power_w(&self, errors: &[f64], weight: f64) -> f64 {
        let at = |index: usize| errors.get(index).copied().unwrap_or_default();
        let (positive, negative) = self.shares();
        let gain_v = positive * at(0) + negative * at(NEGATIVE_GAIN);
        let (gain_i, gain_c) = (at(1), at(2));
        let (offset_v, offset_a) = (at(3) - at(NEGATIVE_OFFSET), at(4));
        let turn = TAU * self.hz * at(SKEW);
        let tan = self.phase_deg.unwrap_or_default().to_radians().tan();
        let of_offsets = offset_v * self.dc_a + offset_a * self.dc_v - offset_v * offset_a;
        let at_the_output = (1.0 + gain_v)
            * (1.0 + gain_i)
            * (1.0 + gain_c).powi(2)
            * (self.indicated_w * (turn.cos() + tan * turn.sin()) - of_offsets);
        let exponents = self.exponents();
        let load = weight * (self.load_log() + gain_v.ln_1p() - gain_i.ln_1p())
            + (1.0 - weight) * (self.set_log() + at(6).ln_1p());
        at_the_output * (exponents.load * load).exp() * (1.0 + at(7)).powf(-exponents.supply)
    }

    /// Half-widths of the gains of voltage (of a bridge its positive side) and current with their calibrations, as
    /// rectangles of the same variance.
    fn own_gains(&self) -> [f64; 2] {
        [
            self.volts_calibration.together(self.volts_gain.half_width),
            self.amps_calibration.together(self.amps_gain.half_width),
        ]
    }

    /// The same of the whole voltage and the current.
    fn gains(&self) -> [f64; 2] {
        let [own, amps] = self.own_gains();
        let Some(side) = &self.negative else { return [own, amps] };
        let (positive, negative) = self.shares();
        [(positive * own).hypot(negative * side.calibration.together(side.gain.half_width)), amps]
    }

    /// What the voltage may be off by at most.
    fn volts_at_most(&self) -> f64 {
        let own = self.volts_calibration.at_most(self.volts_gain.half_width);
        let (positive, negative) = self.shares();
        let other = self.negative.as_ref().map_or(0.0, |side| side.calibration.at_most(side.gain.half_width));
        positive * own + negative * other
    }

    /// What calibrations leave open: they move the power as the gains themselves do.
    fn calibrations(&self, slopes: &[f64]) -> Vec<Contribution> {
        let both = [("voltage", &self.volts_calibration, 0), ("current", &self.amps_calibration, 1)];
        let other =
            self.negative.as_ref().map(|side| ("voltage, negative side:", &side.calibration, NEGATIVE_GAIN));
        let each = both.into_iter().chain(other).flat_map(|(word, made, index)| {
            let slope = slopes.get(index).copied().unwrap_or_default();
            let row = |name: String, shape, relative: f64, source: &str| {
                Contribution::new(&name, shape, 100.0 * relative, "%", slope / 100.0).from(source)
            };
            let mut gain = row(format!("{word} calibration"), Shape::Normal, made.standard, &made.source);
            gain.degrees = made.degrees;
            let bend = &made.linearity;
            [gain, row(format!("{word} linearity"), Shape::Rectangular, bend.half_width, &bend.source)]
        });
        each.filter(|row| row.stated > 0.0).collect()
    }

    fn exponents(&self) -> Exponents {
        self.exponents.unwrap_or(Exponents { load: 1.0, load_half_width: 0.0, supply: 2.0 })
    }

    /// ln(R_m/R₀); 0 where none was measured.
    fn load_log(&self) -> f64 {
        self.ratio_log(self.load_ohm_measured)
    }

    /// ln(R_s/R₀); 0 where the rated load was set.
    fn set_log(&self) -> f64 {
        self.ratio_log(self.load_ohm_set)
    }

    fn ratio_log(&self, ohm: Option<f64>) -> f64 {
        let ratio = ohm.map(|ohm| ohm / self.load_ohm);
        ratio.filter(|ratio| ratio.is_finite() && *ratio > 0.0).map_or(0.0, f64::ln)
    }

    /// Weight of the measured load for the least variance of the power, and whether it refutes the bench's tolerance.
    fn load_weight(&self) -> (f64, bool) {
        if self.load_ohm_measured.is_none() {
            return (0.0, false);
        }
        let stated = self.load.half_width;
        let [volts, amps] = self.gains();
        // No values within the tolerances add up to more; noise goes beyond four deviations once in 16,000.
        let noise = self.load_noise();
        let most = self.volts_at_most() + self.amps_calibration.at_most(self.amps_gain.half_width);
        if (self.load_log() - self.set_log()).abs() > stated + most + 4.0 * noise {
            return (1.0, true);
        }
        // Zero of the derivative of (1+sw)²V + (1−sw)²I + s²(1−w)²L + s²w²N in w, times 3 all through.
        let exponent = self.exponents().load;
        let (volts_ms, amps_ms, load_ms) = (volts * volts, amps * amps, stated * stated);
        let noise_ms = 3.0 * noise * noise;
        let weight = (load_ms + (amps_ms - volts_ms) / exponent) / (volts_ms + amps_ms + load_ms + noise_ms);
        (if weight.is_finite() { weight.clamp(0.0, 1.0) } else { 0.0 }, false)
    }

    /// Standard uncertainty of the measured load by noise, relative.
    fn load_noise(&self) -> f64 {
        self.load_ohm_noise.unwrap_or_default() / self.load_ohm
    }

    /// What first order leaves out (JCGM 100, 5.1.2 note): the product of two offsets where neither channel has dc,
    /// and cos 2πfτ ≈ 1 − (2πfτ)²/2 where the load has no phase. As root mean squares: no correction is made.
    fn second_order(&self, power_w: f64) -> Vec<Contribution> {
        let row = |name, u_w, source| Contribution::new(name, Shape::Normal, u_w, "W", 1.0).from(source);
        let other_v = self.negative.as_ref().map_or(0.0, |side| side.offset.half_width);
        let offsets_w = self.volts_offset.half_width.hypot(other_v) * self.amps_offset.half_width / 3.0;
        let turn = TAU * self.hz * self.skew_s.half_width;
        let skew_w = power_w.abs() * turn * turn / (2.0 * 5f64.sqrt());
        vec![
            row("both offsets", offsets_w, "second order of the offsets"),
            row("skew, second order", skew_w, "second order of the skew"),
        ]
    }

    /// Noise of the measured load, as far as it corrects: one capture is long enough to count as many degrees.
    fn load_reading(&self, power_w: f64, weight: f64) -> Option<Contribution> {
        let sensitivity = power_w * weight * self.exponents().load / 100.0;
        let stated_pct = self.load_noise() * 100.0;
        (stated_pct > 0.0).then(|| {
            Contribution::new("load reading", Shape::Normal, stated_pct, "%", sensitivity)
                .from("noise of one capture")
        })
    }

    /// What the exponent's own doubt adds, once the load was corrected for.
    fn load_exponent(&self, power_w: f64, weight: f64) -> Option<Contribution> {
        let stated = self.exponents().load_half_width;
        let sensitivity = power_w * (weight * self.load_log() + (1.0 - weight) * self.set_log());
        (stated > 0.0 && sensitivity != 0.0).then(|| {
            Contribution::new("load exponent", Shape::Rectangular, stated, "1", sensitivity)
                .from("what the cause implies")
        })
    }
}
