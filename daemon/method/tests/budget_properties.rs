//! What must hold of any budget and any verdict: additivity (JCGM 100:2008, equation 12), and that less doubt never
//! gives a wider U (Birnbaum 1948: of symmetric unimodal sums), more doubt never a bolder verdict (JCGM 106:2012).

#![allow(clippy::unwrap_used, reason = "test helpers")]

use proptest::prelude::*;
use wattproof_method::{
    Budget, Cause, Contribution, Exponents, Judged, PowerModel, Shape, Verdict, Within, verdict,
};

fn shape() -> impl Strategy<Value = Shape> {
    prop_oneof![
        Just(Shape::Normal),
        Just(Shape::NormalK2),
        Just(Shape::Rectangular),
        Just(Shape::Triangular),
        Just(Shape::Resolution),
    ]
}

fn parts() -> impl Strategy<Value = Vec<Contribution>> {
    let part = (shape(), 1e-4..10.0f64, -3.0..3.0f64, prop::option::of(8.0..500.0f64));
    let part = part.prop_map(|(shape, stated, slope, degrees)| {
        let part = Contribution::new("x", shape, stated, "V", slope);
        match degrees {
            Some(nu) if shape == Shape::Normal => part.by_statistics(nu),
            _ => part,
        }
    });
    prop::collection::vec(part, 1..10)
}

fn stated(half_width: f64) -> Within {
    Within { half_width, source: "test".into() }
}

fn cause() -> impl Strategy<Value = Cause> {
    prop_oneof![
        Just(Cause::Clipping),
        Just(Cause::Sag),
        Just(Cause::Limiting),
        Just(Cause::DriveExhausted),
        Just(Cause::CurrentLimit),
        Just(Cause::Undetermined),
    ]
}

/// A model whose load measures what it should.
fn model() -> impl Strategy<Value = PowerModel> {
    let gains = (1e-4..0.02f64, 1e-4..0.02f64, 0.0..0.01f64);
    let others = (1e-4..0.02f64, 1e-4..0.02f64, 0.0..1e-6f64, 1e-4..0.01f64, 10.0..1000.0f64);
    (gains, others, 1e-4..0.5f64, cause()).prop_map(|((volts, amps, common), others, offset, cause)| {
        let (load, supply, skew_s, relative_noise, indicated_w) = others;
        PowerModel {
            indicated_w,
            hz: 1000.0,
            phase_deg: Some(1.0),
            dc_v: 0.05,
            dc_a: 0.0125,
            volts_gain: stated(volts),
            amps_gain: stated(amps),
            common_gain: stated(common),
            volts_offset: stated(offset),
            amps_offset: stated(offset / 4.0),
            skew_s: stated(skew_s),
            load_ohm: 4.0,
            load: stated(load),
            load_ohm_measured: Some(4.0),
            supply: stated(supply),
            exponents: Some(Exponents::of(cause)),
            noise_w: Some((relative_noise * indicated_w, 2000.0)),
            interpolation_w: relative_noise * indicated_w,
            ..PowerModel::default()
        }
    })
}

proptest! {
    #[test]
    fn squares_add_up_and_shares_to_a_hundred(parts in parts(), power_w in 1.0..1e4f64) {
        let b = Budget::new(power_w, parts);
        let squares: f64 = b.contributions.iter().map(|c| c.u_w * c.u_w).sum();
        prop_assert!((squares / b.standard_u_w.powi(2) - 1.0).abs() < 1e-12);
        prop_assert!((b.contributions.iter().map(|c| c.share_pct).sum::<f64>() - 100.0).abs() < 1e-9);
        for c in &b.contributions {
            prop_assert!((c.u_w - (c.stated / c.divisor * c.sensitivity).abs()).abs() <= 1e-12 * c.u_w);
        }
        prop_assert!((b.coverage_factor * b.standard_u_w / b.expanded_u_w - 1.0).abs() < 1e-12);
        // Between a rectangle's factor and that of Student's t with eight degrees (2.366).
        prop_assert!(b.coverage_factor > 1.65 && b.coverage_factor < 2.367);
        // The probability is a half at the measured power, and what U claims beside it.
        prop_assert!((b.probability_reached(power_w).unwrap() - 0.5).abs() < 1e-9);
        let low = b.probability_reached(power_w - b.expanded_u_w).unwrap();
        let high = b.probability_reached(power_w + b.expanded_u_w).unwrap();
        prop_assert!((low - high - wattproof_method::COVERAGE).abs() < 1e-6 && (low + high - 1.0).abs() < 1e-9);
    }

    // With five degrees or more in type A; below, Welch-Satterthwaite itself isn't monotone (see Budget).
    #[test]
    fn a_tighter_contribution_never_widens_u(parts in parts(), which in any::<prop::sample::Index>(), by in 0.0..1.0f64) {
        let before = Budget::new(100.0, parts.clone()).expanded_u_w;
        let mut tighter = parts;
        let i = which.index(tighter.len());
        let c = &tighter[i];
        let scaled = Contribution::new("x", c.distribution, c.stated * by, "V", c.sensitivity);
        tighter[i] = match c.degrees { Some(nu) => scaled.by_statistics(nu), None => scaled };
        let after = Budget::new(100.0, tighter).expanded_u_w;
        prop_assert!(after <= before * (1.0 + 1e-6), "{before} became {after}");
    }

    #[test]
    fn a_tighter_tolerance_never_widens_u(model in model(), which in 0..9usize, by in 0.0..1.0f64) {
        let before = model.evaluate().budget;
        let mut tighter = model;
        match which {
            0 => tighter.volts_gain.half_width *= by,
            1 => tighter.amps_gain.half_width *= by,
            2 => tighter.common_gain.half_width *= by,
            3 => tighter.volts_offset.half_width *= by,
            4 => tighter.amps_offset.half_width *= by,
            5 => tighter.skew_s.half_width *= by,
            6 => tighter.load.half_width *= by,
            7 => tighter.supply.half_width *= by,
            _ => tighter.interpolation_w *= by,
        }
        let after = tighter.evaluate().budget;
        let (u, after_u) = (before.standard_u_w, after.standard_u_w);
        prop_assert!(after_u <= u * (1.0 + 1e-6), "{which} by {by}: u {u} became {after_u}");
        // The measured load is weighed for the least standard uncertainty. As the weight moves, so do the shapes, and
        // k may rise by more than u falls: by a hundredth at most in 100,000 models.
        let (u, after_u) = (before.expanded_u_w, after.expanded_u_w);
        let slack = if [0, 1, 6].contains(&which) { 0.02 } else { 1e-6 };
        prop_assert!(after_u <= u * (1.0 + slack), "{which} by {by}: U {u} became {after_u}");
    }

    #[test]
    fn a_wider_u_never_decides_more_and_never_turns(
        measured_w in 0.0..300.0f64, rated_w in 1.0..300.0f64, u_w in 0.0..50.0f64, more_w in 0.0..50.0f64,
    ) {
        let (narrow, wide) = (verdict(measured_w, u_w, rated_w), verdict(measured_w, u_w + more_w, rated_w));
        prop_assert!(wide == narrow || wide == Verdict::Undecided, "{narrow} became {wide}");
        let judged = Judged::new(rated_w, measured_w, u_w);
        prop_assert!(judged.words().starts_with(&narrow.to_string()), "{}", judged.words());
    }

    // More measured power never makes a verdict worse, and the words agree with their own numbers.
    #[test]
    fn words_say_numbers_that_bear_them_out(measured_w in 1.0..300.0f64, rated_w in 1.0..300.0f64, u_w in 1e-6..50.0f64) {
        let words = Judged::new(rated_w, measured_w, u_w).words();
        let numbers: Vec<f64> = words.split_whitespace().filter_map(|word| word.trim_end_matches(',').parse().ok()).collect();
        match verdict(measured_w, u_w, rated_w) {
            Verdict::Meets => prop_assert!(numbers[2] >= numbers[3], "{words}"),
            Verdict::Short => prop_assert!(numbers[2] < numbers[3], "{words}"),
            Verdict::Undecided => prop_assert!(numbers[3] <= numbers[0] && numbers[0] <= numbers[4], "{words}"),
        }
    }
}

// Own reasoning from V²/R (no source): which tolerance a cause makes count.
#[test]
fn the_cause_says_which_tolerances_count() {
    let of = |cause| {
        let model = PowerModel {
            indicated_w: 100.0,
            volts_gain: stated(0.001),
            amps_gain: stated(0.001),
            load_ohm: 4.0,
            load: stated(0.001),
            supply: stated(0.001),
            exponents: Some(Exponents::of(cause)),
            ..PowerModel::default()
        };
        let budget = model.evaluate().budget;
        let u = |name: &str| budget.contributions.iter().find(|c| c.name == name).unwrap().sensitivity;
        (u("supply voltage"), u("load resistance"))
    };
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-3, "{a} {b}");
    // Power follows the square of the supply only where the rails bound it; W per %.
    near(of(Cause::Clipping).0, -2.0);
    near(of(Cause::Limiting).0, 0.0);
    near(of(Cause::DriveExhausted).0, 0.0);
    // A bounded voltage gives less into more ohms, a bounded current more: the correction turns round.
    near(of(Cause::Clipping).1, 1.0);
    near(of(Cause::CurrentLimit).1, -1.0);
}

// Definition: V²/R into the rated load. What was set beside it is corrected for, measured or not, and refutes nothing.
#[test]
fn a_tap_beside_the_rated_load_is_corrected_for() {
    let (volts, rated_ohm, tap_ohm) = (20.0f64, 4.0, 3.9);
    let model = PowerModel {
        indicated_w: volts * volts / tap_ohm,
        volts_gain: stated(0.001),
        amps_gain: stated(0.001),
        load_ohm: rated_ohm,
        load_ohm_set: Some(tap_ohm),
        load: stated(0.0005),
        exponents: Some(Exponents { load: 1.0, load_half_width: 0.2, supply: 2.0 }),
        ..PowerModel::default()
    };
    let row = |of: &wattproof_method::Evaluated| {
        of.budget.contributions.iter().find(|c| c.name == "load exponent").map(|c| c.sensitivity)
    };
    for measured_ohm in [None, Some(tap_ohm)] {
        let seen = PowerModel { load_ohm_measured: measured_ohm, ..model.clone() }.evaluate();
        assert!((seen.budget.power_w - volts * volts / rated_ohm).abs() < 1e-9, "{measured_ohm:?}");
        assert!(!seen.load_refuted);
        // The exponent's doubt counts by the whole way from the tap to the rated load.
        let expected = volts * volts / rated_ohm * (tap_ohm / rated_ohm).ln();
        assert!((row(&seen).unwrap() - expected).abs() < 1e-9, "{measured_ohm:?}");
    }
    // The rated load where a tap was set can't be.
    assert!(PowerModel { load_ohm_measured: Some(rated_ohm), ..model.clone() }.evaluate().load_refuted);
    let rated = PowerModel { load_ohm_set: Some(rated_ohm), ..model.clone() }.evaluate();
    assert_eq!((rated.correction, row(&rated)), (1.0, None));
}

// Definition: V²/R into the rated load. A load 2 % too high (leads, heat) is refuted and corrected for; then the
// current's gain no longer counts and the voltage's counts twice.
#[test]
fn a_load_that_cannot_be_is_corrected_for() {
    let (volts, rated_ohm, real_ohm) = (20.0f64, 4.0, 4.08);
    let model = PowerModel {
        indicated_w: volts * volts / real_ohm,
        volts_gain: stated(0.001),
        amps_gain: stated(0.001),
        load_ohm: rated_ohm,
        load: stated(0.0005),
        load_ohm_measured: Some(real_ohm),
        exponents: Some(Exponents { load: 1.0, load_half_width: 0.0, supply: 2.0 }),
        ..PowerModel::default()
    };
    let seen = model.evaluate();
    assert!(seen.load_refuted && seen.load_weight == Some(1.0));
    assert!((seen.budget.power_w - volts * volts / rated_ohm).abs() < 1e-9);
    assert!((seen.correction - real_ohm / rated_ohm).abs() < 1e-12);
    let slope = |name: &str| seen.budget.contributions.iter().find(|c| c.name == name).unwrap().sensitivity;
    assert!((slope("voltage gain") - 2.0).abs() < 1e-3 && slope("current gain").abs() < 1e-3);
    // Within what the tolerances allow, both are weighed.
    let weighed = PowerModel { load_ohm_measured: Some(4.004), ..model.clone() }.evaluate();
    assert!(!weighed.load_refuted && (weighed.load_weight.unwrap() - 0.25 / 2.25 / 1.0).abs() < 1e-9);
    let unmeasured = PowerModel { load_ohm_measured: None, ..model }.evaluate();
    assert!(unmeasured.load_weight.is_none() && unmeasured.correction == 1.0);
}
