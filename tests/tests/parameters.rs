//! Parameters of scripts: listed, set, refused before anything is switched on, and the same again whenever a run is gone on
//! with or computed again. What they do is the project's own promise; the supply's voltage is asked at its port.

#![allow(clippy::unwrap_used, clippy::panic, reason = "test helpers fail by panicking")]

mod bench;

use std::path::Path;
use std::process::Command;

use bench::daemon::{Daemon, job};
use bench::{Served, finished, number, rows, said, wattproof};

const SCRIPT: &str = "// Idle: supply at a voltage that is set.
requires \"wattproof 1\";
let low_v = param(\"low_v\", #{ value: 12, unit: \"V\", min: 10, max: 15, what: \"supply voltage\" });
let levels = param(\"levels_vrms\", #{ value: [0.01], unit: \"V rms\", min: 0.001, max: 0.1 });
let fails = param(\"fails\", #{ value: false });
load(#{ ohm: 4.0 });
supply(#{ volts_v: low_v, limit_a: 20.0, on: true });
source(#{ hz: 1000.0, level_vrms: 0.001, on: true });
settle();
capture_at(#{ levels_vrms: levels });
if fails { throw \"enough\"; }
";

/// What the journal says was set of a parameter.
fn recorded(folder: &Path, name: &str) -> serde_json::Value {
    let file = std::fs::read_to_string(folder.join("run.json")).unwrap();
    let file: serde_json::Value = serde_json::from_str(&file).unwrap();
    let parameters = file["parameters"].as_array().unwrap();
    parameters.iter().find(|one| one["name"] == name).unwrap().clone()
}

#[test]
fn a_value_set_reaches_the_bench_and_the_record() {
    let served = Served::start("honest");
    let script = served.script(SCRIPT);
    let ran =
        served.run(&script).args(["--set", "low_v=13.5", "--set", "levels_vrms=0.01,0.02"]).output().unwrap();
    assert!(finished(&ran), "{}", said(&ran));
    let folder = served.run_folder();
    let steps = rows(&folder.join("steps.csv"));
    assert!(steps.iter().all(|row| number(row, "supply_v_set") == 13.5), "{steps:?}");
    let measured_v = number(&steps[0], "supply_v");
    assert!((measured_v - 13.5).abs() < 0.5, "the supply itself gave {measured_v} V");
    let levels: Vec<f64> = steps.iter().map(|row| number(row, "level_vrms")).collect();
    assert!(levels.contains(&0.01) && levels.contains(&0.02), "{levels:?}");
    assert_eq!(recorded(&folder, "low_v")["value"], 13.5);
    assert_eq!(recorded(&folder, "low_v")["set"], true);
    assert_eq!(recorded(&folder, "fails")["set"], false);
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(computed.status.success(), "{}", said(&computed));
    let before = std::fs::read(folder.join("run.json")).unwrap();
    std::fs::remove_file(folder.join("run.json")).unwrap();
    assert!(served.again("rebuild", &folder).output().unwrap().status.success());
    assert_eq!(std::fs::read(folder.join("run.json")).unwrap(), before);
}

#[test]
fn what_can_not_be_set_is_refused_before_anything_is_switched_on() {
    let served = Served::start("honest");
    let script = served.script(SCRIPT);
    for (set, says) in [
        ("low_v=60", "script.rhai:3:13: low_v was set to 60: 60 is outside 10 to 15 V"),
        ("low=12", "has no parameter low, perhaps low_v"),
        ("levels_vrms=loud", "it takes numbers with commas between them, 0.001 to 0.1 V rms"),
        ("low_v", "give a name and a value"),
    ] {
        let ran = served.run(&script).args(["--set", set]).output().unwrap();
        assert!(!ran.status.success(), "{set}");
        assert!(said(&ran).contains(says), "{set}: {}", said(&ran));
    }
    assert_eq!(served.ask("supply", "OUTP?"), "0");
    assert!(!served.folder.path().join("results").exists(), "no run was begun");
}

#[test]
fn a_run_goes_on_with_the_values_it_began_with() {
    let served = Served::start("honest");
    let script = served.script(SCRIPT);
    let ran = served.run(&script).args(["--set", "low_v=11", "--set", "fails=true"]).output().unwrap();
    assert!(!ran.status.success());
    let folder = served.run_folder();
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(computed.status.success(), "{}", said(&computed));
    // Mended so that it comes to its end, the rest unchanged.
    let mended = served.script(&SCRIPT.replace("throw \"enough\";", "capture();"));
    let resumed = served.again("resume", &folder).arg("--script").arg(&mended).output().unwrap();
    assert!(finished(&resumed), "{}", said(&resumed));
    let steps = rows(&folder.join("steps.csv"));
    assert!(steps.iter().all(|row| number(row, "supply_v_set") == 11.0), "{steps:?}");
    assert_eq!(recorded(&folder, "low_v")["value"], 11.0);
}

#[test]
fn check_lists_what_can_be_set() {
    let folder = tempfile::tempdir().unwrap();
    let script = folder.path().join("mine.rhai");
    std::fs::write(&script, SCRIPT).unwrap();
    let checked = Command::new(wattproof()).arg("check").arg(&script).output().unwrap();
    assert!(checked.status.success(), "{}", said(&checked));
    let told = String::from_utf8_lossy(&checked.stdout).into_owned();
    for part in ["low_v", "12", "10 to 15", "supply voltage", "levels_vrms", "0.01", "true or false"] {
        assert!(told.contains(part), "{part}: {told}");
    }
    assert!(!said(&checked).contains("version"), "{}", said(&checked));
    std::fs::write(&script, "settle();").unwrap();
    let checked = Command::new(wattproof()).arg("check").arg(&script).output().unwrap();
    assert!(checked.status.success() && said(&checked).contains("requires \"wattproof 1\";"));
}

/// A run through the daemon takes the same values, and is refused for the same.
#[test]
fn the_daemon_runs_with_what_was_set() {
    let served = Served::start("honest");
    let script = served.script(SCRIPT);
    let _daemon = Daemon::start(&served);
    let ran = served.run(&script).args(["--set", "low_v=13.5"]).output().unwrap();
    assert!(finished(&ran), "{}", said(&ran));
    assert_eq!(recorded(&served.run_folder(), "low_v")["value"], 13.5);
    assert_eq!(job(&served, 1)["set"], serde_json::json!({ "low_v": 13.5 }));
    let ran = served.run(&script).args(["--set", "low_v=16"]).output().unwrap();
    assert!(!ran.status.success() && said(&ran).contains("outside 10 to 15 V"), "{}", said(&ran));
}
