//! Uncertainty and verdict against JCGM 100:2008 annex H and JCGM 106:2012 examples (tests/data; the inputs
//! are the guides', results recomputed in double precision, published figures from memory).

#![allow(clippy::unwrap_used, reason = "test helpers")]

use serde_json::Value;
use wattproof_method::{
    Budget, Contribution, Judged, Shape, Verdict, effective_degrees, probability_reached, propagate, verdict,
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

// JCGM 100:2008, H.1: end gauge. Combined 31.66 nm (published 32), effective degrees 16.75 (published 16).
#[test]
fn end_gauge_h1() {
    let d = data(include_str!("data/gum_h1.json"));
    let rows = d["components"].as_array().unwrap();
    let pick = |k: &str| rows.iter().map(|r| number(&r[k])).collect::<Vec<_>>();
    let (c, u, nu) = (pick("c"), pick("u"), pick("nu"));
    let combined = propagate(&c, &u, &identity(c.len())).unwrap();
    near(combined, number(&d["u_c_nm"]), 1e-9);
    let parts: Vec<_> = c.iter().zip(&u).zip(nu).map(|((c, u), nu)| (c * u, nu)).collect();
    near(effective_degrees(combined, &parts).unwrap(), number(&d["nu_eff_flat"]), 1e-9);
}

// JCGM 100:2008, H.2: R, X and Z from five correlated readings; tables H.3 and H.4.
#[test]
fn impedance_h2() {
    let d = data(include_str!("data/gum_h2.json"));
    let m: Vec<f64> = d["means"].as_array().unwrap().iter().map(number).collect();
    let u: Vec<f64> = d["u_means"].as_array().unwrap().iter().map(number).collect();
    let (vi, vp, ip) = (number(&d["corr"]["VI"]), number(&d["corr"]["Vphi"]), number(&d["corr"]["Iphi"]));
    let r = vec![vec![1.0, vi, vp], vec![vi, 1.0, ip], vec![vp, ip, 1.0]];
    let z = m[0] / m[1];
    let (cos, sin) = (m[2].cos(), m[2].sin());
    let full = &d["full_precision"];
    let resistance = [cos / m[1], -z * cos / m[1], -z * sin];
    let reactance = [sin / m[1], -z * sin / m[1], z * cos];
    near(propagate(&resistance, &u, &r).unwrap(), number(&full["uR"]), 1e-6);
    near(propagate(&reactance, &u, &r).unwrap(), number(&full["uX"]), 1e-6);
    near(propagate(&[1.0 / m[1], -z / m[1], 0.0], &u, &r).unwrap(), number(&full["uZ"]), 1e-6);
    assert!(propagate(&resistance, &u[..2], &r).is_none());
    // Type A of the same readings: standard deviation of the mean (4.2.3).
    let volts: Vec<f64> = d["input"]["V_volt"].as_array().unwrap().iter().map(number).collect();
    let a = Contribution::repeated("voltage", &volts, "H.2").unwrap();
    near(a.relative_u * m[0], u[0], 1e-9);
    assert_eq!(a.degrees, Some(4.0));
}

// JCGM 100:2008, H.3: correction at 30 °C from intercept and slope with r = −0.930.
#[test]
fn thermometer_h3() {
    let d = data(include_str!("data/gum_h3.json"));
    let u = [number(&d["u_y1"]), number(&d["u_y2"])];
    let r = number(&d["r"]);
    let got = propagate(&[1.0, 10.0], &u, &[vec![1.0, r], vec![r, 1.0]]).unwrap();
    near(got, number(&d["u_b30"]), 1e-6);
}

// JCGM 100:2008, G.4.1 example (0.25, 0.57, 0.82 % with 9, 4, 14 degrees → 1.03 %, 19), and P = V²/R.
#[test]
fn budget_of_products() {
    let d = data(include_str!("data/uncertainty_and_decision.json"));
    let g = &d["GUM_G.4.1_product_example"];
    let parts = g["inputs_rel_u_pct_nu"].as_array().unwrap().iter().map(|p| {
        let mut c = Contribution::tolerance("x", number(&p[0]) / 100.0, Shape::Standard, 1.0, "G.4.1");
        c.degrees = Some(number(&p[1]));
        c
    });
    let b = Budget::new(1.0, parts.collect());
    near(b.combined_relative() * 100.0, number(&g["uc_pct"]), 1e-9);
    near(b.effective_degrees().unwrap(), number(&g["nu_eff"]), 1e-9);

    let p = &d["own_P=V2/R"];
    let volts = Contribution::tolerance("voltage", 0.02 / 20.0, Shape::Standard, 2.0, "own closed form");
    let ohms = Contribution::tolerance("load", 0.012 / 4.0, Shape::Standard, -1.0, "own closed form");
    let b = Budget::new(number(&p["P_W"]), vec![volts.clone(), ohms]);
    near(b.combined_w(), number(&p["u_W"]), 1e-9);
    near(b.expanded_w(), number(&p["U_k2_W"]), 1e-9);
    let ohms = Contribution::tolerance("load", 0.01, Shape::Rectangular, -1.0, "own closed form");
    let b = Budget::new(100.0, vec![volts, ohms]);
    near(b.combined_w(), number(&p["u_W_then"]), 1e-9);
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
    assert_eq!(verdict(number(&own["measured_W"]), expanded, rated), Verdict::Meets);
    assert_eq!(verdict(number(&own["acceptance_limit_w=U"]), expanded, rated), Verdict::Meets);
    assert_eq!(verdict(number(&own["second"]["measured_W"]), expanded, rated), Verdict::Undecided);
    assert_eq!(verdict(98.9, expanded, rated), Verdict::Undecided);
    assert_eq!(verdict(98.7, expanded, rated), Verdict::Short);
    for bad in [f64::NAN, f64::INFINITY, -1.0] {
        assert_eq!(verdict(200.0, bad, rated), Verdict::Undecided);
    }
    assert_eq!(verdict(f64::NAN, 1.0, rated), Verdict::Undecided);
    near(Judged::new(100.0, 50.0, 1.0).ratio_db.unwrap(), -3.0103, 1e-5);
    assert_eq!(Judged::new(100.0, 0.0, 1.0).ratio_db, None);
}
