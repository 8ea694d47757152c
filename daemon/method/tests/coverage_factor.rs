//! The half-width that holds 95.45 %: against closed forms, Student's table and the examples of JCGM 101:2008.

#![allow(clippy::unwrap_used, reason = "test helpers")]

use wattproof_method::{Budget, Contribution, Shape};

fn near(a: f64, b: f64, relative: f64) {
    assert!((a - b).abs() <= relative * b.abs(), "{a} is not {b} within {relative}");
}

fn of(shape: Shape, u: f64) -> Contribution {
    Contribution::new("x", shape, u * shape.divisor(), "W", 1.0)
}

fn budget(parts: &[(Shape, f64)]) -> Budget {
    Budget::new(100.0, parts.iter().map(|(shape, u)| of(*shape, *u)).collect())
}

const P: f64 = wattproof_method::COVERAGE;

// t_p(ν) for p = 95.45 %: JCGM 100:2008, table G.2, here to full precision from scipy.stats.t.ppf.
#[test]
fn one_type_a_has_the_factor_of_student() {
    let d: serde_json::Value =
        serde_json::from_str(include_str!("data/uncertainty_and_decision.json")).unwrap();
    for (nu, t) in d["t_95.45_by_nu"].as_object().unwrap() {
        let nu: f64 = nu.parse().unwrap();
        let one = Budget::new(100.0, vec![of(Shape::Normal, 3.0).by_statistics(nu)]);
        // One degree has no mean, let alone a variance: its tail is cut at 8e-5.
        let tolerance = if nu < 3.0 { 3e-3 } else { 1e-6 };
        near(one.coverage_factor, t.as_f64().unwrap(), tolerance);
        assert_eq!(one.effective_degrees.map(f64::round), Some(nu));
    }
    near(Budget::new(1.0, vec![of(Shape::Normal, 3.0).by_statistics(1e5)]).coverage_factor, 2.0, 5e-5);
}

// Closed forms: normal, rectangle p·√3, triangle (1 − √(1−p))·√6, arcsine sin(pπ/2)·√2.
#[test]
fn one_shape_alone_has_its_closed_form() {
    near(budget(&[(Shape::Normal, 0.7)]).expanded_u_w, 1.4, 1e-9);
    near(budget(&[(Shape::NormalK2, 0.7)]).expanded_u_w, 1.4, 1e-9);
    near(budget(&[(Shape::Rectangular, 1.0)]).coverage_factor, P * 3f64.sqrt(), 5e-4);
    near(budget(&[(Shape::Resolution, 1.0)]).coverage_factor, P * 3f64.sqrt(), 5e-4);
    let triangle = (1.0 - (1.0 - P).sqrt()) * 6f64.sqrt();
    near(budget(&[(Shape::Triangular, 1.0)]).coverage_factor, triangle, 5e-4);
    // Two equal rectangles make the triangle, two normals a normal.
    near(budget(&[(Shape::Rectangular, 1.0); 2]).coverage_factor, triangle, 5e-4);
    near(budget(&[(Shape::Normal, 3.0), (Shape::Normal, 4.0)]).expanded_u_w, 10.0, 1e-9);
    let arcsine = (P * std::f64::consts::FRAC_PI_2).sin() * 2f64.sqrt();
    // Its density is infinite at the edge, which the smoothing (2 % of u) rounds off.
    near(budget(&[(Shape::Arcsine, 1.0)]).coverage_factor, arcsine, 3e-3);
}

// JCGM 101:2008, 9.2.2 to 9.2.4 (from memory): the sum of four inputs of standard uncertainty 1, and with one of
// 10. Published 95 % intervals: normal ±3.92, rectangular ±3.88 (analytic 2√3(2 − (3/5)^¼)), one of 10 ±17.0, where
// the law of propagation alone would say ±19.9.
#[test]
fn additive_models_of_jcgm_101() {
    let within = |b: &Budget, half: f64| 2.0 * b.probability_reached(b.power_w - half).unwrap() - 1.0;
    near(within(&budget(&[(Shape::Normal, 1.0); 4]), 1.959_964 * 2.0), 0.95, 1e-6);
    let four = budget(&[(Shape::Rectangular, 1.0); 4]);
    near(within(&four, 2.0 * 3f64.sqrt() * (2.0 - 0.6f64.powf(0.25))), 0.95, 1e-4);
    let wide = budget(&[
        (Shape::Rectangular, 1.0),
        (Shape::Rectangular, 1.0),
        (Shape::Rectangular, 1.0),
        (Shape::Rectangular, 10.0),
    ]);
    assert!((within(&wide, 17.0) - 0.95).abs() < 2e-3, "{}", within(&wide, 17.0));
    assert!(within(&wide, 19.9) > 0.99);
}

/// Draws of a fixed sequence, for sums without a closed form (SplitMix64, public domain).
struct Draws(u64);

impl Draws {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }

    fn of(&mut self, part: &Contribution) -> f64 {
        let half = part.u_w * part.divisor;
        match part.distribution {
            Shape::Rectangular => half * (2.0 * self.unit() - 1.0),
            Shape::Triangular => half * (self.unit() - self.unit()),
            Shape::Arcsine => half * (std::f64::consts::TAU * self.unit()).sin(),
            _ => part.u_w * self.normal(),
        }
    }
}

// JCGM 101:2008, clause 7: the same by drawing. 200,000 draws: ± 0.15 percentage points at three deviations.
#[test]
fn mixed_sums_hold_what_they_claim() {
    let mixtures = [
        vec![of(Shape::Rectangular, 1.0), of(Shape::Normal, 0.5), of(Shape::Triangular, 0.4)],
        vec![of(Shape::Rectangular, 1.0), of(Shape::Rectangular, 0.9), of(Shape::Normal, 0.2)],
        vec![of(Shape::Arcsine, 1.0), of(Shape::Normal, 0.3), of(Shape::Rectangular, 0.5)],
        vec![of(Shape::Rectangular, 1.0), of(Shape::Normal, 1.0)],
    ];
    let mut draws = Draws(11);
    for parts in mixtures {
        let b = Budget::new(100.0, parts);
        let count = 200_000;
        let inside = (0..count)
            .filter(|_| b.contributions.iter().map(|c| draws.of(c)).sum::<f64>().abs() <= b.expanded_u_w)
            .count();
        let share = inside as f64 / f64::from(count);
        assert!((share - P).abs() < 0.0016, "{share} of {:?}", b.contributions);
    }
}

// Definition: what can't be told is never a small uncertainty.
#[test]
fn unusable_figures_never_narrow() {
    assert_eq!(budget(&[]).expanded_u_w, 0.0);
    assert_eq!(budget(&[]).probability_reached(99.0), None);
    for bad in [f64::NAN, f64::INFINITY] {
        let b = budget(&[(Shape::Normal, 1.0), (Shape::Normal, bad)]);
        assert_eq!(b.expanded_u_w, f64::INFINITY);
        assert_eq!(b.probability_reached(99.0), None);
    }
    assert_eq!(budget(&[(Shape::Normal, 1.0)]).probability_reached(f64::NAN), None);
}
