//! Writing scripts: one to start from, tests beside it, a prompt, and what a recorded run asked for line by line. What a person
//! who writes tests would expect: common practice, no source.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::io::Write;
use std::process::{Command, Output, Stdio};

use bench::{Served, root, said, wattproof};
use serde_json::Value;

fn output(arguments: &[&str], folder: &std::path::Path) -> Output {
    Command::new(wattproof()).args(arguments).current_dir(folder).stdin(Stdio::null()).output().unwrap()
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

#[test]
fn a_new_script_comes_through_its_rehearsal_and_its_tests() {
    let served = Served::start("honest");
    let folder = served.folder.path();
    let made = output(&["new-script", "my_sweep.rhai", "--what", "Quiet levels: what they show."], folder);
    assert!(made.status.success(), "{}", said(&made));
    let text = std::fs::read_to_string(folder.join("my_sweep.rhai")).unwrap();
    assert!(text.starts_with("// Quiet levels: what they show.\n"), "{text}");
    let checked =
        output(&["check", "my_sweep.rhai", "--bench", "bench.toml", "--nameplate", "nameplate.toml"], folder);
    assert!(checked.status.success() && said(&checked).is_empty(), "{}{}", told(&checked), said(&checked));
    let tested = output(&["test-scripts", "."], folder);
    assert!(tested.status.success() && told(&tested).contains("2 passed, 0 failed"), "{}", told(&tested));
    // Never over what is there.
    let again = output(&["new-script", "my_sweep.rhai"], folder);
    assert_eq!(again.status.code(), Some(1));
    assert_eq!(std::fs::read_to_string(folder.join("my_sweep.rhai")).unwrap(), text);
}

#[test]
fn a_test_of_a_script_that_fails_is_placed() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::copy(root().join("scripts/rated_power.rhai"), folder.path().join("a.rhai")).unwrap();
    let test = "fn test_no() {\n    let done = perform(#{ script: \"a.rhai\", amplifier: \"line\" });\n    expect_near(done.ratings.len(), 7, 0, \"ratings\");\n}\n";
    std::fs::write(folder.path().join("a_test.rhai"), test).unwrap();
    let failed = output(&["test-scripts", "a_test.rhai", "--json"], folder.path());
    assert_eq!(failed.status.code(), Some(1), "{}", said(&failed));
    let rows: Vec<Value> = serde_json::from_slice(&failed.stdout).unwrap();
    assert_eq!((&rows[0]["passed"], &rows[0]["line"]), (&false.into(), &3.into()), "{rows:?}");
    assert!(rows[0]["failure"].as_str().unwrap().contains("ratings: 3 is not within 0 of 7"), "{rows:?}");
    let none = output(&["test-scripts", "."], tempfile::tempdir().unwrap().path());
    assert!(said(&none).contains("there was no test"), "{}", said(&none));
}

/// The shipped tests of the shipped scripts.
#[test]
fn the_tests_beside_the_scripts_pass() {
    let tested = output(&["test-scripts"], &root());
    assert!(tested.status.success(), "{}{}", told(&tested), said(&tested));
}

#[test]
fn what_is_typed_is_guarded_recorded_and_can_be_computed_again() {
    let served = Served::start("honest");
    let typed = "let rating = nameplate().ratings[0];\nload(#{ ohm: rating.load_ohm });\nsupply(#{ volts_v: rating.supply_v, on: true });\nsource(#{\n    hz: 1000.0, level_vrms: 0.05, on: true\n});\nsettle();\nlet step = capture();\nstep.channels[0].gain_db\nmispelt()\n40 + 2\nsupply(#{ volts_v: 50.0 });\n\"never\" + \" said\"\n";
    let mut command = Command::new(wattproof());
    command.arg("prompt").arg("--bench").arg(served.bench()).arg("--nameplate").arg(served.nameplate());
    command.arg("--out").arg(served.folder.path().join("results")).env("WATTPROOF_STATE", served.state());
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    child.stdin.take().unwrap().write_all(typed.as_bytes()).unwrap();
    let ended = child.wait_with_output().unwrap();
    let words = said(&ended);
    assert_eq!(ended.status.code(), Some(1), "{words}");
    // 30 dB and 0.04 ohm in series with 4 ohm: 29.91 dB.
    for expected in
        ["29.9", "there is no function mispelt()", "\n42\n", "supply_v_max", "every output is off"]
    {
        assert!(words.contains(expected), "no {expected:?} in {words}");
    }
    assert!(!words.contains("never said"), "{words}");
    for (role, question) in [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")] {
        assert_eq!(served.ask(role, question), "0", "{role} {question}");
    }
    let run = served.run_folder();
    let computed = served.again("recompute", &run).output().unwrap();
    assert!(computed.status.success(), "{}", said(&computed));
    let traced = served.again("trace", &run).arg("--json").output().unwrap();
    let calls: Vec<Value> = serde_json::from_slice(&traced.stdout).unwrap();
    let last = calls.last().unwrap();
    assert_eq!(last["name"], "supply");
    assert!(last["error"].as_str().unwrap().contains("supply_v_max"), "{last}");
}

#[test]
fn a_trace_tells_calls_with_line_and_value() {
    let served = Served::start("honest");
    let script = served.script("requires \"wattproof 1\";\n\nload(#{ ohm: 4.0 });\nlet c = heatsink();\n");
    let run = served.run(&script).arg("--without-selfcheck").output().unwrap();
    assert!(bench::finished(&run), "{}", said(&run));
    let traced = served.again("trace", &served.run_folder()).output().unwrap();
    let lines = told(&traced);
    let lines: Vec<&str> = lines.lines().collect();
    assert_eq!(lines.len(), 2, "{lines:?}");
    assert!(lines[0].contains("line    3  load(#{ ohm: 4.0 })"), "{lines:?}");
    assert!(lines[1].contains("line    4  heatsink()") && lines[1].contains("gives 2"), "{lines:?}");
}
