//! The self-check on real pseudo-terminals: what is wired wrong is found and named before a run, and refuses it; what is
//! sound is let through, recorded and computed again.
//!
//! What is wrong is ordered from the virtual bench by a fault file, so that the expected answer is known. Limits of power:
//! the project's own.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::process::{Command, Output, Stdio};

use bench::{Served, rows, said, wattproof};
use serde_json::Value;

const SCRIPT: &str = "load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, on: true });
source(#{ hz: 1000.0, level_vrms: 0.1, on: true });
settle();
capture(\"after the check\");
";

/// A fault that is there from the start.
fn wrong(port: &str, what: &str) -> Served {
    let text = format!("[[fault]]\nport = \"{port}\"\nwhat{what}\nfor_s = 600.0\n");
    Served::start_with_faults("honest", |_| Some(text))
}

fn check(served: &Served, with_nameplate: bool) -> Output {
    let mut command = Command::new(wattproof());
    command.args(["selfcheck", "--json", "--bench"]).arg(served.bench());
    if with_nameplate {
        command.arg("--nameplate").arg(served.nameplate());
    }
    command.arg("--out").arg(served.folder.path().join("results")).env("WATTPROOF_STATE", served.state());
    command.stdout(Stdio::piped()).stderr(Stdio::piped()).output().unwrap()
}

fn is_off(served: &Served) {
    for (role, question) in [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")] {
        assert_eq!(served.ask(role, question), "0", "{role} {question}");
    }
}

/// The checks that came out so, as `name/channel`.
fn named(found: &Value, result: &str) -> Vec<String> {
    let checks = found["checks"].as_array().unwrap().iter().filter(|check| check["result"] == result);
    checks.map(|check| format!("{}/{}", check["check"].as_str().unwrap(), check["channel"])).collect()
}

/// What `selfcheck` finds on a bench with a fault: it ends with exit code 4 and everything off.
fn finds(served: &Served, expected: &[&str]) -> Value {
    let output = check(served, true);
    assert_eq!(output.status.code(), Some(4), "{}", said(&output));
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    let wrong = named(&found, "wrong");
    for name in expected {
        assert!(wrong.iter().any(|wrong| wrong == name), "no {name} in {wrong:?}");
    }
    for check in found["checks"].as_array().unwrap().iter().filter(|check| check["result"] == "wrong") {
        assert!(!check["next"].as_str().unwrap().is_empty(), "nothing to do next: {check}");
        assert!(!check["allowed"]["reason"].as_str().unwrap().is_empty(), "no reason: {check}");
    }
    is_off(served);
    found
}

#[test]
fn a_sound_bench_is_ok_and_stays_below_a_hundredth_of_its_power() {
    for amplifier in ["honest", "starved", "noisy", "switching"] {
        let served = Served::start(amplifier);
        let output = check(&served, true);
        assert!(output.status.success(), "{amplifier}: {}", said(&output));
        let found: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(named(&found, "wrong"), [""; 0], "{amplifier}");
        let plate: toml::Table = std::fs::read_to_string(served.nameplate()).unwrap().parse().unwrap();
        let watts = |rating: &toml::Value| rating["watts"].as_float().unwrap();
        let least_w = plate["rating"].as_array().unwrap().iter().map(watts).reduce(f64::min).unwrap();
        let most_w = found["out_w_max"].as_f64().unwrap();
        assert!(most_w > 0.0 && most_w <= 0.01 * least_w, "{amplifier}: {most_w} W of {least_w} W");
        is_off(&served);
    }
}

#[test]
fn without_a_nameplate_nothing_is_switched_on() {
    let served = Served::start("honest");
    let output = check(&served, false);
    assert!(output.status.success(), "{}", said(&output));
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(named(&found, "not_told").contains(&"amplifier/null".to_string()), "{found}");
    let journal = std::fs::read_to_string(served.run_folder().join("journal.jsonl")).unwrap();
    assert!(!journal.contains("supply_on") && !journal.contains("source_on"));
}

#[test]
fn loads_that_are_open_shorted_or_wrong_are_told_apart() {
    let found = finds(&wrong("load", ".open.output = 1"), &["load of 4 ohm/1", "load of 2 ohm/1"]);
    assert!(found.to_string().contains("no current: open"));
    let found = finds(&wrong("load", ".wrong_load = { output = 2, ohm = 8.0 }"), &["load of 4 ohm/2"]);
    assert!(found.to_string().contains(": wrong"), "{found}");
    assert!(!named(&found, "wrong").iter().any(|name| name.ends_with("/1")), "{found}");
    // Half an ohm leaves the guard in peace at this level.
    let found = finds(&wrong("load", ".short = { output = 2, ohm = 0.1 }"), &["load of 4 ohm/2"]);
    assert!(found.to_string().contains(": short"), "{found}");
}

#[test]
fn inputs_that_are_reversed_or_exchanged_are_named() {
    let found = finds(&wrong("digitizer", ".reversed.input = 2"), &["current polarity/1"]);
    assert_eq!(named(&found, "wrong").len(), 1, "{found}");
    finds(
        &wrong("digitizer", ".exchanged = { first = 1, second = 2 }"),
        &["load of 4 ohm/1", "voltage and current inputs/1"],
    );
    let found = finds(&wrong("digitizer", ".exchanged = { first = 1, second = 3 }"), &["voltage channel/1"]);
    assert!(!named(&found, "wrong").contains(&"current channel/1".to_string()), "{found}");
    finds(&wrong("digitizer", ".exchanged = { first = 2, second = 4 }"), &["current channel/1"]);
    finds(&wrong("digitizer", ".wrong_gain = { input = 1, by = 0.05 }"), &["gain/1", "gains apart/null"]);
}

#[test]
fn a_thermometer_or_supply_that_tells_nonsense_is_named() {
    // 85 °C is what a common sensor reads before its first conversion (data sheets, from memory).
    let stuck = ".instead.answer = \"85.00\"\nmessage = \"MEAS:TEMP? (@1)\"";
    finds(&wrong("thermometer", stuck), &["heatsink/null"]);
    let cold = ".instead.answer = \"12.00\"\nmessage = \"MEAS:TEMP? (@1)\"";
    finds(&wrong("thermometer", cold), &["heatsink over ambient/null"]);
    finds(&wrong("supply", ".scaled.by = 0.9\nmessage = \"MEAS:VOLT?\""), &["supply voltage/null"]);
    // A frozen one can't be told from one at rest, and is not said to be good.
    let served = wrong("thermometer", " = \"frozen\"");
    let found: Value = serde_json::from_slice(&check(&served, true).stdout).unwrap();
    assert!(named(&found, "not_told").contains(&"heatsink moves/null".to_string()), "{found}");
    // One that has come off tells no number at all: the guard itself trips.
    let served = wrong("thermometer", ".sensor_detached.reads = \"9.91E37\"");
    let output = check(&served, true);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    is_off(&served);
}

#[test]
fn a_run_refuses_a_wrong_load_unless_told_not_to_look() {
    let served = wrong("load", ".wrong_load = { output = 1, ohm = 8.0 }");
    let refused = served.run(&served.script(SCRIPT)).output().unwrap();
    assert_eq!(refused.status.code(), Some(4), "{}", said(&refused));
    for words in ["load of 4 ohm, channel 1: wrong: 8", "the run is not started", "every output is off"] {
        assert!(said(&refused).contains(words), "no {words:?} in {}", said(&refused));
    }
    is_off(&served);
    let folder = served.run_folder();
    assert!(rows(&folder.join("steps.csv")).is_empty());
    let run = |folder: &std::path::Path| -> Value {
        serde_json::from_str(&std::fs::read_to_string(folder.join("run.json")).unwrap()).unwrap()
    };
    assert_eq!(run(&folder)["selfcheck"]["made"]["may_start"], false);
    assert!(run(&folder)["outcome"] == "failed");
    // It is a function of its journal like any run.
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(computed.status.success(), "{}", said(&computed));
    // Resumed on the same bench it looks again, and refuses again.
    let resumed = served.again("resume", &folder).output().unwrap();
    assert_eq!(resumed.status.code(), Some(4), "{}", said(&resumed));
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(computed.status.success(), "{}", said(&computed));
    std::fs::remove_dir_all(&folder).unwrap();
    // The wrong load of a script's own capture is still a fault: look without one.
    let blind = "source(#{ on: false }); supply(#{ on: false });";
    let left_out = served.run(&served.script(blind)).arg("--without-selfcheck").output().unwrap();
    assert!(left_out.status.success(), "{}", said(&left_out));
    assert!(String::from_utf8_lossy(&left_out.stdout).contains("self-check: left out"));
    assert_eq!(run(&served.run_folder())["selfcheck"], "left_out");
}

#[test]
fn a_checked_run_is_recorded_rebuilt_and_computed_again() {
    let served = Served::start("honest");
    let output = served.run(&served.script(SCRIPT)).output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let folder = served.run_folder();
    assert!(String::from_utf8_lossy(&output.stdout).contains("self-check: "));
    let before = std::fs::read(folder.join("run.json")).unwrap();
    let run: Value = serde_json::from_slice(&before).unwrap();
    assert_eq!(run["selfcheck"]["made"]["may_start"], true);
    assert_eq!(rows(&folder.join("steps.csv")).len(), 2, "its captures are no steps");
    std::fs::remove_file(folder.join("run.json")).unwrap();
    assert!(served.again("rebuild", &folder).status().unwrap().success());
    assert_eq!(std::fs::read(folder.join("run.json")).unwrap(), before);
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(computed.status.success(), "{}", said(&computed));
}
