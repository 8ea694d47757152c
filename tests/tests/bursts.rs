//! Burst against sustained on the served bench, against what the amplifier's description says of its limiter and rails.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::collections::HashMap;

use bench::{Served, number, rows, said};

/// Rows of bursts.csv after the procedure at one level into 4 ohm at 14.4 V.
fn bursts(amplifier: &str, level_vrms: f64) -> Vec<HashMap<String, String>> {
    let served = Served::start(amplifier);
    let script = served.script(&format!(
        "load(#{{ ohm: 4.0 }});
        supply(#{{ volts_v: 14.4, on: true }});
        source(#{{ hz: 1000.0 }});
        settle();
        let found = burst_and_sustained(#{{ level_vrms: {level_vrms} }});
        if found.len() != 2 {{ throw \"two channels\" }}
        source(#{{ on: false }});
        supply(#{{ on: false }});"
    ));
    let run = served.run(&script).output().unwrap();
    assert!(run.status.success(), "{amplifier}: {}", said(&run));
    // Which power is which is said where a person looks.
    assert!(said(&run).contains("W burst (20 ms)") && said(&run).contains("W sustained"), "{}", said(&run));
    let found = rows(&served.run_folder().join("bursts.csv"));
    assert_eq!(found.len(), 2, "{amplifier}");
    for row in &found {
        println!("{amplifier}: {row:?}");
        assert!(row["procedure"].contains("20 ms in 500 ms"));
    }
    found
}

/// Source: `limiting.toml`: 30 dB of gain, a threshold of 27 V peak, attack 20 ms, nothing let through above it, and
/// the exponential that follows. The mean of (1 + a·exp(−t/τ))² over 20 ms is integrated in closed form.
#[test]
fn a_limiter_shows_its_attack_threshold_and_ratio() {
    let row = &bursts("limiting", 0.8)[0];
    let (tau_s, sustained_w) = (0.02, 27.0f64.powi(2) / 2.0 / 4.0);
    let start_vpk = 0.8 * std::f64::consts::SQRT_2 * 10f64.powf(1.5) * 4.0 / 4.04;
    let a = start_vpk / 27.0 - 1.0;
    let part = |k: f64| (1.0 - (-k * 0.02 / tau_s).exp()) * tau_s / k / 0.02;
    let burst_w = sustained_w * (1.0 + 2.0 * a * part(1.0) + a * a * part(2.0));
    let near = |column: &str, truth: f64, share: f64| {
        let found = number(row, column);
        assert!((found / truth - 1.0).abs() <= share, "{column}: {found} against {truth}");
    };
    near("attack_s", tau_s, 0.05);
    near("sustained_w", sustained_w, 0.005);
    near("burst_w", burst_w, 0.01);
    near("onset_w", start_vpk.powi(2) / 8.0, 0.02);
    near("limiter_threshold_vrms", 27.0 / std::f64::consts::SQRT_2, 0.01);
    near("limiter_held_db", 20.0 * (start_vpk / 27.0).log10(), 0.03);
    assert!(number(row, "limiter_ratio_min") > 20.0, "a hard limiter: {row:?}");
    for (power, u) in [("sustained_w", "sustained_expanded_u_w"), ("burst_w", "burst_expanded_u_w")] {
        let truth = if power == "burst_w" { burst_w } else { sustained_w };
        assert!((number(row, power) - truth).abs() <= number(row, u), "{power} outside U: {row:?}");
    }
}

/// Source: the model's own statement that its rails fall under load; no limiter is in `sagging.toml`, so none may be
/// found, though the level falls.
#[test]
fn falling_rails_are_headroom_but_no_limiter() {
    let row = &bursts("sagging", 0.9)[0];
    assert!(number(row, "burst_w") > 1.05 * number(row, "sustained_w"), "{row:?}");
    assert!(number(row, "onset_w") > number(row, "burst_w"), "{row:?}");
    assert!(number(row, "headroom_db") > 0.2);
    assert!(row["limiter_ratio_min"].is_empty() && row["limiter_threshold_vrms"].is_empty(), "{row:?}");
}

/// An amplifier far below its limits gives the same in a burst as kept up: definition.
#[test]
fn below_every_limit_burst_and_sustained_agree() {
    let row = &bursts("honest", 0.2)[0];
    assert!(number(row, "headroom_db").abs() < 0.02, "{row:?}");
    assert!(row["attack_s"].is_empty() && row["limiter_ratio_min"].is_empty(), "{row:?}");
}
