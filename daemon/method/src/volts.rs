//! The measurement model of an output voltage: of a line stage, whose current is far too small for a current sensor, so
//! that no power is measured. From what was indicated to the voltage at the rating's own load and supply.
//!
//! With g relative gains, load R = R₀(1+λ) and supply V_s = V₀(1+ν):
//!
//! V = (1+g_V)(1+g_C) · V_ind · (R̂/R₀)^(−s) · (1+ν)^(−e) + ε
//!
//! * V_ind is the rms within the measuring band: direct voltage, and so an offset of the input, is no part of it.
//! * s: a source of output resistance R_o gives V ∝ R/(R+R_o), so that s = R_o/(R+R_o): 0 for a stiff output, ½ where R_o
//!   is the load itself (own algebra). A current limit gives V ∝ R, s = 1.
//! * e is half of what power follows the supply by.
//! * ε: noise of the capture, interpolation of the search.

use crate::budget::{Budget, Contribution, Shape};
use crate::cause::Cause;
use crate::model::{Calibrated, Exponents, Within};

/// Everything that a measured output voltage rests on. Gains are relative.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct VoltsModel {
    /// Indicated voltage at the ceiling, V rms.
    pub indicated_vrms: f64,
    /// Gain of the voltage channel. Where it was calibrated, what it may have drifted.
    pub volts_gain: Within,
    /// What its calibration leaves open.
    pub volts_calibration: Calibrated,
    /// Gain that all channels share: the converter's reference.
    pub common_gain: Within,
    /// Rated load, ohm.
    pub load_ohm: f64,
    /// Load that was there, ohm; `None` counts as the rated load.
    pub load_ohm_set: Option<f64>,
    /// Its tolerance as the bench states it, relative.
    pub load: Within,
    /// Supply voltage's tolerance, relative.
    pub supply: Within,
    /// What bounds the output; `None` counts as [`Cause::Undetermined`].
    pub cause: Option<Cause>,
    /// Noise of the capture: standard uncertainty in V and its degrees of freedom. Type A.
    pub noise_vrms: Option<(f64, f64)>,
    /// Interpolation of the ceiling search: standard uncertainty, V.
    pub interpolation_vrms: f64,
    /// Drift by heat: half-width, relative. Only where captures show it.
    pub drift: Option<Within>,
    /// Indicated voltages of the other driven channels, V rms: those that can't be told from the weakest widen U.
    pub others_vrms: Vec<f64>,
}

/// A channel within so many standard uncertainties of the weakest may in truth be the weakest.
const RIVAL_SIGMA: f64 = 4.0;
/// How voltage follows the load where the output's own resistance is not known: as for a stiff output, which nearly all line
/// stages have (common practice), and within what one that matches its load has.
const STIFF: (f64, f64) = (0.0, 0.5);

impl VoltsModel {
    /// The voltage at the rating's own conditions, V rms, over the indicated one, and its budget, whose figures are in V
    /// rms instead of W.
    #[must_use]
    pub fn evaluate(&self) -> (f64, Budget) {
        let (by_load, by_load_half_width) = self.load_exponent();
        let by_supply = Exponents::of(self.cause.unwrap_or(Cause::Undetermined)).supply / 2.0;
        let off = self.load_ohm_set.map_or(0.0, |ohm| (ohm / self.load_ohm).ln());
        let correction = (-by_load * off).exp();
        let out_vrms = self.indicated_vrms * correction;
        let per_pct = out_vrms / 100.0;
        let relative = |name: &str, within: &Within, slope: f64| {
            Contribution::new(name, Shape::Rectangular, 100.0 * within.half_width, "%", per_pct * slope)
                .from(within.source.as_str())
        };
        let made = &self.volts_calibration;
        let mut calibration =
            Contribution::new("voltage calibration", Shape::Normal, 100.0 * made.standard, "%", per_pct)
                .from(made.source.as_str());
        calibration.degrees = made.degrees;
        let mut list = vec![
            relative("voltage gain", &self.volts_gain, 1.0),
            relative("converter gain", &self.common_gain, 1.0),
            // Whatever the exponent is of those that may be.
            relative("load resistance", &self.load, by_load + by_load_half_width),
            relative("supply voltage", &self.supply, by_supply),
        ];
        let calibrations = [calibration, relative("voltage linearity", &made.linearity, 1.0)];
        list.extend(calibrations.into_iter().filter(|row| row.stated > 0.0));
        if off != 0.0 {
            let row = Contribution::new(
                "load exponent",
                Shape::Rectangular,
                by_load_half_width,
                "1",
                out_vrms * off,
            );
            list.push(row.from("what the cause and an unknown output resistance leave open"));
        }
        list.push(
            Contribution::new("interpolation", Shape::Normal, self.interpolation_vrms, "V", 1.0)
                .from("ceiling search"),
        );
        list.extend(self.noise_vrms.map(|(u_vrms, degrees)| {
            Contribution::new("noise", Shape::Normal, u_vrms, "V", 1.0)
                .by_statistics(degrees)
                .from("noise of one capture")
        }));
        list.extend(self.drift.as_ref().map(|drift| relative("thermal drift", drift, 1.0)));
        (correction, self.budget(out_vrms, list))
    }

    /// How voltage follows the load, and the half-width of that.
    fn load_exponent(&self) -> (f64, f64) {
        match self.cause {
            Some(Cause::CurrentLimit) => (1.0, 0.1),
            Some(
                Cause::Clipping | Cause::SoftClipping | Cause::Sag | Cause::Limiting | Cause::DriveExhausted,
            ) => STIFF,
            _ => (0.5, 0.5),
        }
    }

    /// The budget, wider where several channels are as weak as the weakest as far as can be told.
    fn budget(&self, out_vrms: f64, list: Vec<Contribution>) -> Budget {
        let budget = Budget::new(out_vrms, list);
        let reach_vrms = RIVAL_SIGMA * budget.standard_u_w;
        let near = |other_vrms: &&f64| (*other_vrms - self.indicated_vrms).abs() <= reach_vrms;
        let rivals = 1 + self.others_vrms.iter().filter(near).count();
        if rivals <= 2 { budget } else { Budget::of_weakest(out_vrms, budget.contributions, rivals) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn within(half_width: f64) -> Within {
        Within { half_width, source: "test".into() }
    }

    fn model() -> VoltsModel {
        VoltsModel {
            indicated_vrms: 5.0,
            volts_gain: within(0.001),
            load_ohm: 10_000.0,
            cause: Some(Cause::Clipping),
            ..VoltsModel::default()
        }
    }

    fn u_of(model: &VoltsModel, name: &str) -> f64 {
        model.evaluate().1.contributions.iter().find(|row| row.name == name).map_or(0.0, |row| row.u_w)
    }

    /// A rectangle of ± 0.1 % of 5 V has a standard uncertainty of 5 mV/√3 (JCGM 100:2008, 4.3.7).
    #[test]
    fn a_gain_counts_once() {
        let (correction, budget) = model().evaluate();
        assert_eq!(correction, 1.0);
        assert!((budget.standard_u_w - 0.005 / 3f64.sqrt()).abs() < 1e-12, "{}", budget.standard_u_w);
        // 95.45 % of a rectangle lie within 0.9545 of its half-width.
        assert!((budget.expanded_u_w - 0.9545 * 0.005).abs() < 1e-5, "{}", budget.expanded_u_w);
    }

    /// Rails that follow the supply bound the voltage: 1 % of supply is 1 % of voltage, and none of a limiter's.
    #[test]
    fn the_supply_counts_as_far_as_the_cause_says() {
        let clipping = VoltsModel { supply: within(0.01), ..model() };
        assert!((u_of(&clipping, "supply voltage") - 0.05 / 3f64.sqrt()).abs() < 1e-12);
        assert_eq!(u_of(&VoltsModel { cause: Some(Cause::Limiting), ..clipping }, "supply voltage"), 0.0);
    }

    /// Voltage divider R/(R+R_o), from a stiff output to one of the load's own resistance: at a load 4 % high, the voltage at
    /// the rated load lies between what was read and what the divider makes of it, and U holds both ends.
    #[test]
    fn u_holds_every_output_resistance_up_to_the_load() {
        let (rated_ohm, set_ohm) = (600.0, 624.0);
        for output_ohm in [0.0, 50.0, 300.0, 600.0] {
            let at = |ohm: f64| 10.0 * ohm / (ohm + output_ohm);
            let seen = VoltsModel {
                indicated_vrms: at(set_ohm),
                volts_gain: within(0.0),
                load_ohm: rated_ohm,
                load_ohm_set: Some(set_ohm),
                ..model()
            };
            let (_, budget) = seen.evaluate();
            let off = (budget.power_w - at(rated_ohm)).abs();
            // A rectangle's 95.45 % leaves its very ends out.
            assert!(
                off <= 1.06 * budget.expanded_u_w,
                "{output_ohm} ohm: {off} V, U {}",
                budget.expanded_u_w
            );
        }
    }
}
