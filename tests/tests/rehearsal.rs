//! Scripts rehearsed on a simulated bench before they run on a real one. What a careful person does before a kilowatt is
//! switched on: common practice, no source.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::path::Path;
use std::process::{Command, Output, Stdio};

use bench::{Served, finished, root, said, wattproof};
use serde_json::Value;

fn check(served: &Served, script: &Path, further: &[&str]) -> Output {
    let mut command = Command::new(wattproof());
    command.arg("check").arg(script).arg("--bench").arg(served.bench()).arg("--nameplate");
    command.arg(served.nameplate()).args(further).stdin(Stdio::null());
    command.output().unwrap()
}

/// The last file of `check --json`, which is the script.
fn checked(served: &Served, script: &Path) -> Value {
    let output = check(served, script, &["--json"]);
    let told: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    told.last().unwrap().clone()
}

/// A bench file that says nothing of being virtual, as a real one.
fn seems_real(served: &Served) {
    let text = std::fs::read_to_string(served.bench()).unwrap();
    std::fs::write(served.bench(), text.replace("virtual_bench = true\n", "")).unwrap();
}

/// The rehearsed amplifier keeps its claims by 0.5 dB, a factor 1.122 in power, and clips hard: at 1 % it gives 1.0475 times
/// the power of where clipping begins (computed from the closed form of a clipped sine). However short a burst looks further
/// up, a sine that is clipped altogether is a square of twice that power (definition of rms).
#[test]
fn the_forecast_is_what_a_run_comes_to() {
    let served = Served::start("honest");
    let script = served.script(bench::FIRST_RATING);
    // With one rating alone the rails are those of this one.
    let plate = std::fs::read_to_string(served.nameplate()).unwrap();
    let first: Vec<&str> = plate.splitn(3, "[[rating]]").take(2).collect();
    std::fs::write(served.nameplate(), first.join("[[rating]]")).unwrap();
    let told = checked(&served, &script);
    let forecast = |name: &str| told["forecast"][name].as_f64().unwrap();
    let onset_w = 100.0 * 1.122;
    let loudest_w = forecast("loudest_w");
    assert!((1.0475 * onset_w * 0.99..2.0 * onset_w).contains(&loudest_w), "{loudest_w} W");
    assert!((forecast("loudest_vrms").powi(2) / 4.0 / loudest_w - 1.0).abs() < 0.01, "P = V²/R");
    // What goes into the loads comes out of the supply: two channels at the ceiling, at 81 % what was loudest.
    let amps = |watts: f64| 2.0 * watts / 14.4;
    let supply_a = forecast("supply_a_max");
    assert!((amps(1.0475 * onset_w)..1.1 * amps(loudest_w) / 0.81).contains(&supply_a), "{told}");
    assert!(forecast("delivered_j") > 0.0 && forecast("heatsink_c_max") > 25.0);
    assert_eq!(told["lines_not_tried"].as_array().unwrap().len(), 0);

    let run = served.run(&script).output().unwrap();
    assert!(finished(&run), "{}", said(&run));
    let steps = bench::rows(&served.run_folder().join("steps.csv"));
    let count = steps.last().unwrap()["step"].parse::<f64>().unwrap();
    assert!(
        (forecast("steps") - count).abs() <= 0.5 * count,
        "{count} steps, not about {}",
        told["forecast"]
    );
}

#[test]
fn every_kind_of_bench_is_simulated() {
    let benches: [(&str, &[&str]); 5] = [
        ("quartet", &[]),
        ("quartet", &["--bridged"]),
        ("quartet", &["--bridged", "--differential"]),
        ("honest", &["--fixed-load", "4"]),
        ("line", &[]),
    ];
    for (amplifier, further) in benches {
        let served = Served::start_with(amplifier, further);
        let fixed = served.script(bench::FIRST_RATING);
        // Of resistors there is one rating that they serve.
        let every = root().join("scripts/rated_power.rhai");
        let told = checked(&served, if further.contains(&"--fixed-load") { &fixed } else { &every });
        assert_eq!(told["good"], true, "{amplifier} {further:?}: {told}");
        assert!(told["forecast"]["steps"].as_f64().unwrap() > 2.0, "{amplifier} {further:?}: {told}");
    }
}

#[test]
fn a_limit_that_would_trip_is_placed_in_the_script_and_no_port_is_opened() {
    let served = Served::start("honest");
    seems_real(&served);
    let loud = "supply(#{ volts_v: 14.4, on: true });\nload(#{ ohm: 4.0 });\nsource(#{ hz: 1000.0, level_vrms: 0.05, on: true });\nsettle();\n  source(#{ level_vrms: 2.5 });\n";
    let script = served.script(loud);
    let refused = served.run(&script).output().unwrap();
    assert_eq!(refused.status.code(), Some(1), "{}", said(&refused));
    for words in ["script.rhai:5:3: ", "source_vrms_max", "2.5", "--unrehearsed", "no port was opened"] {
        assert!(said(&refused).contains(words), "no {words:?} in {}", said(&refused));
    }
    assert!(!served.folder.path().join("results").exists(), "a run was recorded");
    assert_eq!(served.ask("supply", "VOLT?").parse::<f64>().unwrap(), 0.0, "the supply was set");

    let told = served.run(&script).arg("--unrehearsed").output().unwrap();
    assert_eq!(told.status.code(), Some(1));
    assert!(said(&told).contains("source_vrms_max") && served.folder.path().join("results").exists());
}

#[test]
fn a_good_script_is_rehearsed_and_then_run() {
    let served = Served::start("honest");
    seems_real(&served);
    let run = served.run(&served.script(bench::FIRST_RATING)).output().unwrap();
    assert!(finished(&run), "{}", said(&run));
}

#[test]
fn a_loop_without_an_end_ends_in_the_rehearsal() {
    let served = Served::start("honest");
    let script = served.script("loop { sleep(600); }\n");
    let output = check(&served, &script, &["--json", "--hours", "1"]);
    let told: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    let error = told[2]["error"].as_str().unwrap();
    assert!(error.contains("script.rhai:1:") && error.contains("h of the bench's time"), "{error}");
}

#[test]
fn lines_that_were_never_performed_are_named() {
    let served = Served::start("honest");
    let script =
        served.script("requires \"wattproof 1\"; let a = 1;\nif a > 2 {\n    print(\"x\");\n    a = 3;\n} else {\n    a = 4;\n}\n");
    assert_eq!(checked(&served, &script)["lines_not_tried"], serde_json::json!([[3, 4]]));
    let told = check(&served, &script, &[]);
    assert!(String::from_utf8_lossy(&told.stdout).contains("never came: 3 to 4"), "{told:?}");
}
