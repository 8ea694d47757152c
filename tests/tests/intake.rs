//! Taking in returned units, on the virtual bench over its ports: the right outcome for each, its page, retest, golden unit,
//! population, and what is said when it was not the amplifier. What each amplifier is like: its description.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use bench::daemon::{Daemon, signal};
use bench::{Served, root, said, wattproof};
use serde_json::Value;
use wattproof_catalogue::{Catalogue, Entry, Place};

/// What an intake of this unit takes on the bench at most, s: what a shop was promised (project definition).
const BENCH_TIME_S: f64 = 180.0;

fn by_script(served: &Served, nameplate: &Path, script: &Path) -> Command {
    let mut command = Command::new(wattproof());
    command.arg("intake").arg("--bench").arg(served.bench()).arg("--nameplate").arg(nameplate);
    command.arg("--script").arg(script).arg("--json");
    command.env("WATTPROOF_STATE", served.state()).current_dir(served.folder.path());
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn intake(served: &Served, nameplate: &Path, results: &Path, serial: &str) -> Command {
    let mut command = by_script(served, nameplate, &root().join("scripts/intake_check.rhai"));
    command.args(["--serial", serial, "--results"]).arg(results);
    command
}

/// An intake of the amplifier that is served, in a folder of results of its own.
fn own(served: &Served, serial: &str) -> Command {
    intake(served, &served.nameplate(), &served.folder.path().join("results"), serial)
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("{error}: {}", said(output)))
}

fn page(told: &Value) -> String {
    std::fs::read_to_string(told["page"].as_str().unwrap()).unwrap()
}

fn reasons(told: &Value) -> String {
    told["reasons"]
        .as_array()
        .unwrap()
        .iter()
        .map(|reason| reason.as_str().unwrap())
        .collect::<Vec<_>>()
        .join("\n")
}

fn check<'a>(told: &'a Value, name: &str, channel: u64) -> &'a Value {
    let all = told["checks"].as_array().unwrap();
    all.iter().find(|one| one["name"] == name && one["channel"] == channel).unwrap_or(&Value::Null)
}

fn is_off(served: &Served) {
    for (role, question) in [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")] {
        assert_eq!(served.ask(role, question), "0", "{role} {question}");
    }
}

/// One that keeps its claims, one that can't reach them, one that hisses, one with 0.35 V dc at its outputs, and one whose
/// second channel is dead (their descriptions). Exit codes: README.md.
#[test]
fn five_units_get_the_outcome_that_is_right_in_under_three_minutes() {
    for (amplifier, code, outcome, words) in [
        ("honest", 0, "no_fault_found", "lie within their limits"),
        ("short", 10, "faulty", "THD+N of channel 1"),
        ("noisy", 10, "faulty", "A-weighted noise of channel 2"),
        ("offset", 10, "faulty", "Dc offset of channel 1"),
        ("dead", 10, "faulty", "Channel 2 gives neither voltage nor current"),
    ] {
        let served = Served::start(amplifier);
        let set = ["--set", "operator=Invented Person", "--set", "complaint=<b>hisses</b> & hums"];
        let output = own(&served, "A-1").args(set).output().unwrap();
        assert_eq!(output.status.code(), Some(code), "{amplifier}: {}", said(&output));
        let told = json(&output);
        assert_eq!(told["outcome"], outcome, "{amplifier}: {told}");
        assert!(reasons(&told).contains(words), "{amplifier}: {}", reasons(&told));
        if let Some(took_s) = told["bench_time_s"].as_f64() {
            assert!(took_s < BENCH_TIME_S, "{amplifier}: {took_s} s");
        } else {
            assert_eq!(amplifier, "dead", "only the dead one is told before the script is over");
        }
        let page = page(&told);
        for words in [
            "Invented scenario",
            "A-1",
            "Invented Person",
            "&#60;b&#62;hisses",
            "defers to local codes",
            "Tested by",
        ] {
            assert!(page.contains(words), "{amplifier}: {words}");
        }
        assert!(!page.contains("<b>hisses") && !page.contains("http"), "self-contained and escaped");
        is_off(&served);
        let folder = Path::new(told["folder"].as_str().unwrap());
        let run: Value = serde_json::from_slice(&std::fs::read(folder.join("run.json")).unwrap()).unwrap();
        assert_eq!(run["nameplate"]["serial"], "A-1");
    }
}

/// Entries of invented units: as the golden one's own, dc offset spread by a millivolt and more.
async fn add_units(results: &Path, like: &Path) {
    let golden: Entry = wattproof_report::entry(like).unwrap();
    let catalogue = Catalogue::open(&Place::file(&results.join("catalogue.sqlite"))).await.unwrap();
    let others = (1..=6u32).map(|number| {
        let mut entry = golden.clone();
        (entry.key, entry.run) = (format!("{number:064x}"), format!("invented-{number}"));
        (entry.serial, entry.golden) = (Some(format!("X-{number}")), false);
        entry.started_utc = format!("2020-01-0{number}T00:00:00.000Z");
        for finding in entry.findings.iter_mut().filter(|one| one.name == "dc offset") {
            finding.value = 0.001 * (f64::from(number) - 3.5);
        }
        entry
    });
    catalogue.put(&others.collect::<Vec<_>>()).await.unwrap();
    catalogue.close().await;
}

/// A golden unit, then one with an offset among six others, then the same one repaired. Outliers: NIST/SEMATECH e-Handbook,
/// 1.3.5.17; differences: JCGM 100:2008, 5.1.2. That hints decide nothing is a project definition.
#[test]
fn a_unit_is_told_beside_golden_population_and_its_own_past() {
    let good = Served::start("honest");
    let results = good.folder.path().join("results");
    let plate = good.nameplate();
    let golden = intake(&good, &plate, &results, "GOLD").arg("--golden").output().unwrap();
    assert_eq!(golden.status.code(), Some(0), "{}", said(&golden));
    let golden = json(&golden);
    assert_eq!((golden["golden"].as_bool(), golden["hints"].as_array().map(Vec::len)), (Some(true), Some(0)));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(add_units(&results, Path::new(golden["folder"].as_str().unwrap())));

    let bad = Served::start("offset");
    let first = intake(&bad, &plate, &results, "U-1").output().unwrap();
    assert_eq!(first.status.code(), Some(10), "{}", said(&first));
    let first = json(&first);
    let dc = check(&first, "dc offset", 1);
    assert_eq!(
        (dc["place"]["standing"].as_str(), dc["place"]["of"].as_u64()),
        (Some("outlier"), Some(8)),
        "{dc}"
    );
    assert_eq!(dc["golden"]["is_significant"], true);
    assert!((dc["golden"]["difference"].as_f64().unwrap() - 0.35).abs() < 0.02, "{dc}");
    assert_eq!(dc["before"], Value::Null);
    let hints = first["hints"].to_string();
    assert!(
        hints.contains("stands apart from 7 other units") && hints.contains("golden unit GOLD"),
        "{hints}"
    );

    // Repaired: the same serial number on a bench with an amplifier that is in order.
    let after = intake(&good, &plate, &results, "U-1").output().unwrap();
    assert_eq!(after.status.code(), Some(0), "{}", said(&after));
    let after = json(&after);
    let dc = check(&after, "dc offset", 1);
    assert_eq!((dc["before"]["verdict"].as_str(), dc["verdict"].as_str()), (Some("short"), Some("meets")));
    assert_eq!(dc["before"]["difference"]["is_significant"], true);
    assert_eq!(dc["place"]["of"], 8, "its own earlier run is no other unit: {dc}");
    let gain = check(&after, "gain", 1);
    assert_eq!(gain["before"]["difference"]["is_significant"], false, "{gain}");
    assert_eq!(after["history"].as_array().map(Vec::len), Some(1));
    let words = page(&after);
    assert!(words.contains("Former tests") && words.contains("Retest"), "{words}");

    // The first page again, after the second intake: the same to the byte.
    let path = PathBuf::from(first["page"].as_str().unwrap());
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::remove_file(&path).unwrap();
    let again = Command::new(wattproof())
        .args(["intake", "--record"])
        .arg(first["folder"].as_str().unwrap())
        .output()
        .unwrap();
    assert!(again.status.success(), "{}", said(&again));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
    let said = String::from_utf8_lossy(&again.stdout).into_owned();
    assert!(said.contains("FAULTY") && said.contains("intake.html"), "{said}");
    assert!(
        said.lines()
            .filter(|line| !line.starts_with("  - ") && !line.contains('/'))
            .all(|line| line.chars().count() <= 80),
        "{said}"
    );
}

/// What trips on the amplifier's account condemns it; a wrong load, a script's own error and a person's stop do not (project
/// definition).
#[test]
fn only_the_amplifier_is_condemned() {
    // Direct voltage beyond the bench's limit.
    let served = Served::start("offset");
    let text = std::fs::read_to_string(served.bench()).unwrap();
    let low: String = text
        .lines()
        .map(
            |line| if line.starts_with("dc_v_max") { "dc_v_max = 0.2\n".into() } else { format!("{line}\n") },
        )
        .collect();
    assert_ne!(low, text);
    std::fs::write(served.bench(), low).unwrap();
    let output = own(&served, "A-1").output().unwrap();
    assert_eq!(output.status.code(), Some(10), "{}", said(&output));
    let told = json(&output);
    assert!(reasons(&told).contains("Direct voltage stands at an output"), "{told}");
    assert!(told["cautions"].to_string().contains("latched"), "{told}");
    is_off(&served);
    // The trip stands, and says nothing of the next unit.
    let next = own(&served, "A-2").output().unwrap();
    assert_eq!(next.status.code(), Some(1), "{}", said(&next));

    // A load that is open.
    let fault = "[[fault]]\nport = \"load\"\nwhat.open.output = 1\nfor_s = 600.0\n";
    let served = Served::start_with_faults("honest", |_| Some(fault.into()));
    let output = own(&served, "A-1").output().unwrap();
    assert_eq!(output.status.code(), Some(4), "{}", said(&output));
    let told = json(&output);
    assert_eq!(told["outcome"], "not_tested", "{told}");
    assert!(reasons(&told).contains("not the amplifier"), "{told}");

    // A script with a slip that only a run shows.
    let served = Served::start("honest");
    let script = served.script("requires \"wattproof 1\";\nlet x = [];\nx[3] + 1;\n");
    let output = by_script(&served, &served.nameplate(), &script).args(["--serial", "A-1"]).output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    let told = json(&output);
    assert_eq!(told["outcome"], "not_tested", "{told}");
    assert!(reasons(&told).contains("The script ended before its time"), "{told}");
}

/// A person stops it: everything off, not tested, and the exit code of a stop.
#[test]
fn a_stop_leaves_the_unit_untested() {
    let served = Served::start("honest");
    let child = own(&served, "A-1").spawn().unwrap();
    let results = served.folder.path().join("results");
    let stepped = || {
        let runs = std::fs::read_dir(&results).into_iter().flatten().flatten();
        let steps = runs.filter_map(|run| std::fs::read_to_string(run.path().join("steps.csv")).ok());
        steps.into_iter().any(|text| text.lines().count() > 1)
    };
    bench::daemon::until("a step is recorded", stepped);
    signal(&child, "INT");
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", said(&output));
    let told = json(&output);
    assert_eq!(told["outcome"], "not_tested", "{told}");
    assert!(reasons(&told).contains("stopped"), "{told}");
    is_off(&served);
}

/// Where a daemon holds the bench the run is its, and the page is written all the same.
#[test]
fn a_daemon_that_holds_the_bench_runs_it() {
    let served = Served::start("noisy");
    let daemon = Daemon::start(&served);
    let output = own(&served, "D-1").output().unwrap();
    assert_eq!(output.status.code(), Some(10), "{}", said(&output));
    assert!(said(&output).contains("job 1"), "{}", said(&output));
    let told = json(&output);
    assert_eq!((told["outcome"].as_str(), told["serial"].as_str()), (Some("faulty"), Some("D-1")));
    assert!(page(&told).contains("A-weighted noise"));
    drop(daemon);
    std::thread::sleep(Duration::from_millis(1));
    is_off(&served);
}

/// The nameplate of another unit is refused before a port is opened.
#[test]
fn another_units_nameplate_is_refused() {
    let served = Served::start("honest");
    let text = std::fs::read_to_string(served.nameplate()).unwrap();
    std::fs::write(served.nameplate(), format!("serial = \"B-2\"\n{text}")).unwrap();
    let output = own(&served, "A-1").output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(said(&output).contains("B-2") && said(&output).contains("A-1"), "{}", said(&output));
    assert!(!served.folder.path().join("results").exists());
}
