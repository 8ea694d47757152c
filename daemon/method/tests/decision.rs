//! Uncertainty and verdict against JCGM 100:2008 annex H and JCGM 106:2012 examples (tests/data; the inputs
//! are the guides', results recomputed in double precision, published figures from memory).

#![allow(clippy::unwrap_used, reason = "test helpers")]

use serde_json::Value;
use wattproof_method::{
    Budget, Contribution, Judged, Shape, Verdict, covariance, probability_reached, propagate, sensitivities,
    verdict,
};

fn data(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap()
}

fn near(a: f64, b: f64, relative: f64) {
    assert!((a - b).abs() <= relative * b.abs(), "{a} is not {b} within {relative}");
}

fn identity(n: usize) -> Vec<Vec<f64>> {
    (0..n).map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect()).collect()
}

// JCGM 100:2008, H.1: end gauge, nm standing for W. Published: combined 32 nm, effective degrees 16.
#[test]
fn end_gauge_h1() {
    let d = data(include_str!("data/gum_h1.json"));
    let rows = d["components"].as_array().unwrap();
    let row = |r: &Value| {
        Contribution::new("x", Shape::Normal, number(&r["u"]), "1", number(&r["c"]))
            .by_statistics(number(&r["nu"]))
    };
    let budget = Budget::new(number(&d["l_nm"]), rows.iter().map(row).collect());
    near(budget.standard_u_w, number(&d["u_c_nm"]), 1e-9);
    assert_eq!(budget.standard_u_w.round(), 32.0);
    near(budget.effective_degrees.unwrap(), number(&d["nu_eff_flat"]), 1e-9);
    assert_eq!(budget.effective_degrees.unwrap().floor(), 16.0);
    for (part, r) in budget.contributions.iter().zip(rows) {
        near(part.u_w, number(&r["cu_nm"]), 1e-9);
    }
    // All inputs count as normal here, so that k is the t-factor of G.4: 2.17 for 16 degrees at 95.45 % (table G.2).
    near(budget.coverage_factor, budget.t_factor, 1e-9);
    assert!(budget.t_factor < 2.17 && budget.t_factor > 2.16);
}

// JCGM 100:2008, H.2: R, X and Z from five correlated readings; tables H.3 and H.4. Sensitivities are numeric.
#[test]
fn impedance_h2() {
    let d = data(include_str!("data/gum_h2.json"));
    let list = |v: &Value| v.as_array().unwrap().iter().map(number).collect::<Vec<f64>>();
    let (m, u) = (list(&d["means"]), list(&d["u_means"]));
    let (vi, vp, ip) = (number(&d["corr"]["VI"]), number(&d["corr"]["Vphi"]), number(&d["corr"]["Iphi"]));
    let r = vec![vec![1.0, vi, vp], vec![vi, 1.0, ip], vec![vp, ip, 1.0]];
    let slopes = |f: fn(&[f64]) -> f64| sensitivities(f, &m, &u);
    let resistance = slopes(|x| x[0] / x[1] * x[2].cos());
    let reactance = slopes(|x| x[0] / x[1] * x[2].sin());
    let impedance = slopes(|x| x[0] / x[1]);
    // Numeric sensitivities are the analytic ones of H.2.3.
    let z = m[0] / m[1];
    for (numeric, analytic) in
        resistance.iter().zip([m[2].cos() / m[1], -z * m[2].cos() / m[1], -z * m[2].sin()])
    {
        near(*numeric, analytic, 1e-6);
    }
    let (full, published) = (&d["full_precision"], &d["published_GUM_table_H4_from_memory"]);
    for (slopes, key) in [(&resistance, "uR"), (&reactance, "uX"), (&impedance, "uZ")] {
        let got = propagate(slopes, &u, &r).unwrap();
        near(got, number(&full[key]), 1e-6);
        // The guide rounded on its way: one in its last digit.
        assert!((got - number(&published[key])).abs() <= 0.001, "{key} {got}");
    }
    for (a, b, key) in
        [(&resistance, &reactance, "rRX"), (&resistance, &impedance, "rRZ"), (&reactance, &impedance, "rXZ")]
    {
        let scale = propagate(a, &u, &r).unwrap() * propagate(b, &u, &r).unwrap();
        let got = covariance(a, b, &u, &r).unwrap() / scale;
        near(got, number(&full[key]), 1e-5);
        assert!((got - number(&published[key])).abs() <= 0.001, "{key} {got}");
    }
    // Power of the same readings (own extension): correlation matters.
    let power = slopes(|x| x[0] * x[1] * x[2].cos());
    let own = &d["own_extension_P=VIcos(phi)"];
    near(propagate(&power, &u, &r).unwrap(), number(&own["uP_W"]), 1e-5);
    near(propagate(&power, &u, &identity(3)).unwrap(), number(&own["uP_if_correlation_ignored"]), 1e-5);
    assert!(propagate(&resistance, &u[..2], &r).is_none() && covariance(&power, &[], &u, &r).is_none());
    // Type A of the same readings: standard deviation of the mean (4.2.3).
    let a = Contribution::repeated("voltage", &list(&d["input"]["V_volt"])).unwrap();
    near(a.u_w, u[0], 1e-9);
    assert_eq!(a.degrees, Some(4.0));
}

// JCGM 100:2008, H.3: correction at 30 °C from intercept and slope with r = −0.930. Published: 0.0041 °C.
#[test]
fn thermometer_h3() {
    let d = data(include_str!("data/gum_h3.json"));
    let (y, u) = ([number(&d["y1"]), number(&d["y2"])], [number(&d["u_y1"]), number(&d["u_y2"])]);
    let r = number(&d["r"]);
    let at_30 = |x: &[f64]| x[0] + x[1] * (30.0 - 20.0);
    near(at_30(&y), number(&d["b(30)"]), 1e-9);
    let got = propagate(&sensitivities(at_30, &y, &u), &u, &[vec![1.0, r], vec![r, 1.0]]).unwrap();
    near(got, number(&d["u_b30"]), 1e-6);
    assert!((got - number(&d["published_from_memory"]["u_b30"])).abs() < 0.5e-4);
}

// JCGM 100:2008, G.4.1 example (0.25, 0.57, 0.82 % with 9, 4, 14 degrees → 1.03 %, 19), and P = V²/R.
#[test]
fn budget_of_products() {
    let d = data(include_str!("data/uncertainty_and_decision.json"));
    let g = &d["GUM_G.4.1_product_example"];
    let parts =
        g["inputs_rel_u_pct_nu"].as_array().unwrap().iter().map(|p| {
            Contribution::new("x", Shape::Normal, number(&p[0]), "%", 1.0).by_statistics(number(&p[1]))
        });
    let b = Budget::new(100.0, parts.collect());
    near(b.standard_u_w, number(&g["uc_pct"]), 1e-9);
    near(b.effective_degrees.unwrap(), number(&g["nu_eff"]), 1e-9);

    let p = &d["own_P=V2/R"];
    let volts = Contribution::new("voltage", Shape::Normal, 0.02, "V", number(&p["sens_dP/dV"]));
    let ohms = Contribution::new("load", Shape::Normal, 0.012, "ohm", number(&p["sens_dP/dR"]));
    let b = Budget::new(number(&p["P_W"]), vec![volts.clone(), ohms]);
    near(b.standard_u_w, number(&p["u_W"]), 1e-9);
    near(b.expanded_u_w, number(&p["U_k2_W"]), 1e-9);
    near(b.coverage_factor, 2.0, 1e-9);
    assert_eq!(b.effective_degrees, None);
    let ohms = Contribution::new("load", Shape::Rectangular, 0.04, "ohm", number(&p["sens_dP/dR"]));
    let b = Budget::new(100.0, vec![volts, ohms]);
    near(b.standard_u_w, number(&p["u_W_then"]), 1e-9);
}

// JCGM 106:2012, 7.3.3 examples (from memory) and a power case of our own; guard band w = U.
#[test]
fn verdicts_and_probabilities() {
    let d = data(include_str!("data/uncertainty_and_decision.json"));
    let zener = &d["jcgm106_7.3.3_ex1_from_memory"];
    near(probability_reached(-5.40, 0.05, -5.47).unwrap(), number(&zener["pc"]), 1e-9);
    let container = &d["jcgm106_7.3.3_ex2_from_memory"];
    near(probability_reached(509.7, 8.6, 490.0).unwrap(), number(&container["pc"]), 1e-9);
    // A true value exactly on the limit is accepted with w = U in 2.275 % of cases.
    let at_limit = &d["guard_band_pfa_at_acceptance_limit(one-sided, U=2u)"];
    near(1.0 - probability_reached(2.0, 1.0, 0.0).unwrap(), number(&at_limit["w=U (z=2)"]), 1e-9);
    near(probability_reached(-3.0, 1.0, 0.0).unwrap(), number(&at_limit["w=1.5U (z=3)"]), 1e-9);
    near(probability_reached(-6.0, 1.0, 0.0).unwrap(), number(&at_limit["w=3U (z=6)"]), 1e-9);

    let own = &d["own_power_case"];
    let (rated, expanded) = (number(&own["rated_W"]), number(&own["U_k2"]));
    // The same probabilities by a whole budget, whose sum here is normal.
    for case in [own, &own["second"]] {
        let normal = Contribution::new("x", Shape::Normal, number(&own["u_W"]), "W", 1.0);
        let budget = Budget::new(number(&case["measured_W"]), vec![normal]);
        near(budget.expanded_u_w, expanded, 1e-9);
        near(budget.probability_reached(rated).unwrap(), number(&case["pc"]), 1e-9);
        near(
            probability_reached(number(&case["measured_W"]), number(&own["u_W"]), rated).unwrap(),
            number(&case["pc"]),
            1e-9,
        );
    }
    assert_eq!(verdict(number(&own["measured_W"]), expanded, rated), Verdict::Meets);
    assert_eq!(verdict(number(&own["acceptance_limit_w=U"]), expanded, rated), Verdict::Meets);
    assert_eq!(verdict(number(&own["second"]["measured_W"]), expanded, rated), Verdict::Undecided);
    assert_eq!(verdict(98.9, expanded, rated), Verdict::Undecided);
    assert_eq!(verdict(98.7, expanded, rated), Verdict::Short);
    for bad in [f64::NAN, f64::INFINITY, -1.0] {
        assert_eq!(verdict(200.0, bad, rated), Verdict::Undecided);
    }
    assert_eq!(verdict(f64::NAN, 1.0, rated), Verdict::Undecided);
    // Exactly on either limit (JCGM 106:2012, 8.3.2: the acceptance limit itself is accepted), and without doubt.
    assert_eq!(verdict(100.0, 0.0, 100.0), Verdict::Meets);
    assert_eq!(verdict(102.0, 2.0, 100.0), Verdict::Meets);
    assert_eq!(verdict(98.0, 2.0, 100.0), Verdict::Undecided);
    assert_eq!(verdict(f64::from_bits(98f64.to_bits() - 1), 2.0, 100.0), Verdict::Short);
    assert_eq!(verdict(99.999, 0.0, 100.0), Verdict::Short);
    assert_eq!(verdict(200.0, 1.0, f64::INFINITY), Verdict::Undecided);
    near(Judged::new(100.0, 50.0, 1.0).ratio_db.unwrap(), -3.0103, 1e-5);
    assert_eq!(Judged::new(100.0, 0.0, 1.0).ratio_db, None);
}

// Project definition: the sum that decides, as a person would check it by hand.
#[test]
fn verdicts_are_spelled_out() {
    for (measured, expanded, words) in [
        (101.5, 1.2, "meets: measured 101.50 W - U 1.20 W = 100.30 W, which reaches the rated 100.00 W"),
        (98.5, 1.2, "short: measured 98.50 W + U 1.20 W = 99.70 W, which stays below the rated 100.00 W"),
        (
            100.9,
            1.2,
            "undecided: the rated 100.00 W lies within measured 100.90 W -/+ U 1.20 W = 99.70 W to 102.10 W",
        ),
        (
            101.2003,
            1.2,
            "meets: measured 101.20030 W - U 1.20000 W = 100.00030 W, which reaches the rated 100.00000 W",
        ),
        (f64::NAN, 1.2, "undecided: measured power or its uncertainty is no usable figure"),
    ] {
        assert_eq!(Judged::new(100.0, measured, expanded).words(), words);
    }
}
