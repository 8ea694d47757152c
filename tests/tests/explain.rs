//! From a run to its explanation: ratings.json, `wattproof explain`, and what the bench file's tolerances make of U.
//!
//! Source of the truth: the amplifier model itself (`--truth`), which shares no code with reading, search or budget.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use bench::{Served, number, rows, said, wattproof};
use serde_json::Value;

/// The shipped script without its curve: one rating, or all of them.
fn script(served: &Served, first_only: bool) -> std::path::PathBuf {
    let end = if first_only { "break;" } else { "" };
    served.script(&format!(
        r#"
for rating in nameplate().ratings {{
    source(#{{ on: false }});
    load(#{{ ohm: rating.load_ohm }});
    supply(#{{ volts_v: rating.supply_v, on: true }});
    source(#{{ hz: rating.hz, driven: rating.driven }});
    settle();
    record(rating, find_ceiling(rating));
    {end}
}}
source(#{{ on: false }});
supply(#{{ on: false }});
"#
    ))
}

fn explain(arguments: &[&str]) -> Output {
    Command::new(wattproof()).arg("explain").args(arguments).output().unwrap()
}

fn told(output: &Output) -> String {
    assert!(output.status.success(), "{}", said(output));
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn ratings(folder: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(folder.join("ratings.json")).unwrap()).unwrap()
}

fn truth_w(amplifier: &str, rating: usize) -> f64 {
    let told = Command::new(wattproof())
        .args(["virtual-bench", "--truth", "--amplifier", amplifier])
        .output()
        .unwrap();
    let truth: Value = serde_json::from_slice(&told.stdout).unwrap();
    truth[rating - 1]["power_w"].as_f64().unwrap()
}

fn part<'a>(record: &'a Value, name: &str) -> &'a Value {
    let parts = record["budget"].as_array().unwrap();
    parts.iter().find(|part| part["name"] == name).unwrap_or_else(|| panic!("no {name} in the budget"))
}

#[test]
fn a_run_is_explained() {
    let served = Served::start("honest");
    let done = served.run(&script(&served, true)).output().unwrap();
    assert!(done.status.success(), "{}", said(&done));
    let folder = served.run_folder();
    let path = folder.to_str().unwrap();
    let file = ratings(&folder);
    let record = &file["ratings"][0];
    let row = &rows(&folder.join("ratings.csv"))[0];
    for key in ["measured_w", "expanded_u_w", "coverage_factor", "indicated_w", "joules"] {
        assert_eq!(record[key].as_f64().unwrap(), number(row, key), "{key}");
    }
    let (measured_w, u_w) =
        (record["measured_w"].as_f64().unwrap(), record["expanded_u_w"].as_f64().unwrap());
    let truth_w = truth_w("honest", 1);
    assert!((measured_w - truth_w).abs() <= u_w, "{measured_w} ± {u_w}, truth {truth_w}");
    assert_eq!(part(record, "noise")["kind"], "A");
    assert_eq!(part(record, "voltage gain")["source"], "bench file");
    // The bracket names its steps, whose power lies on either side.
    let steps = rows(&folder.join("steps.csv"));
    for side in ["below", "above"] {
        let at = &record[side];
        let step = at["step"].as_u64().unwrap().to_string();
        let powers = steps.iter().filter(|row| row["step"] == step).map(|row| number(row, "active_w"));
        assert_eq!(powers.fold(f64::INFINITY, f64::min), at["power_w"].as_f64().unwrap(), "{side}");
    }

    let text = told(&explain(&[path, "1"]));
    for needed in ["meets: measured", "clipping", "voltage gain", "interpolation", "share %", "k = ", "A  "] {
        assert!(text.contains(needed), "no {needed:?} in:\n{text}");
    }
    let widest = text.lines().map(|line| line.chars().count()).max().unwrap();
    assert!(widest <= 80, "{widest} columns:\n{text}");
    // The run's name alone, below the folder of all runs; JSON is the record itself.
    let (name, results) = (folder.file_name().unwrap().to_str().unwrap(), folder.parent().unwrap());
    let json = told(&explain(&[name, "1", "--out", results.to_str().unwrap(), "--json"]));
    assert_eq!(&serde_json::from_str::<Value>(&json).unwrap(), record);
    assert!(told(&explain(&[path])).contains("Rating 1: 100 W into 4 ohm"));

    for (arguments, words) in [
        (vec![path, "2"], vec!["no rating 2", "1 (100 W into 4 ohm at 14.4 V)"]),
        (vec!["no-such-run", "1", "--out", results.to_str().unwrap()], vec!["no-such-run", name]),
        (vec![results.to_str().unwrap(), "1"], vec!["ratings.json"]),
        (vec![path, "0"], vec!["give a rating's number"]),
        (vec![path, "one"], vec!["give a rating's number"]),
    ] {
        let refused = explain(&arguments);
        assert!(!refused.status.success(), "{arguments:?}");
        for word in words {
            assert!(said(&refused).contains(word), "{arguments:?}: no {word:?} in {}", said(&refused));
        }
        assert!(!said(&refused).contains("panicked") && refused.stdout.is_empty());
    }
}

/// Changes a bench file's line and gives back what the file was.
fn edit(served: &Served, from: &str, to: &str) {
    let text = std::fs::read_to_string(served.bench()).unwrap();
    assert!(text.contains(from), "no {from:?} in the bench file");
    std::fs::write(served.bench(), text.replace(from, to)).unwrap();
}

#[test]
fn the_bench_file_says_what_the_uncertainty_is_made_of() {
    let served = Served::start("limiting");
    edit(&served, "samples = 19200\n", "samples = 19200\nskew_ns = 700.0\ngain_tolerance_pct = 1.2\n");
    edit(&served, "range_v = 5.0\n", "range_v = 5.0\noffset_tolerance_v = 0.002\n");
    let done = served.run(&script(&served, true)).output().unwrap();
    assert_eq!(done.status.code(), Some(10), "a limiter keeps it short: {}", said(&done));
    let file = ratings(&served.run_folder());
    let record = &file["ratings"][0];
    for (name, stated, unit) in [
        ("converter gain (both)", 1.2, "%"),
        ("channel skew", 700.0, "ns"),
        ("voltage offset", 0.002 * 20.0, "V"),
        ("current offset", 0.002 * 10.0, "A"),
    ] {
        let part = part(record, name);
        assert!((part["stated"].as_f64().unwrap() - stated).abs() < 1e-9 * stated, "{name}");
        assert_eq!((part["unit"].as_str(), part["source"].as_str()), (Some(unit), Some("bench file")));
    }
    // A reference behind both channels counts twice: 2 % of power per % of it (JCGM 100:2008, F.1.2.3).
    let measured_w = record["measured_w"].as_f64().unwrap();
    let twice = part(record, "converter gain (both)")["sensitivity"].as_f64().unwrap();
    assert!((twice / (2.0 * measured_w / 100.0) - 1.0).abs() < 1e-3, "{twice}");
    // It dominates here, so that k comes near a rectangle's 1.65; and a limiter does not follow the supply.
    assert!(record["coverage_factor"].as_f64().unwrap() < 1.8);
    assert_eq!(record["cause"], "limiting");
    assert_eq!(part(record, "supply voltage")["u_w"].as_f64(), Some(0.0));

    edit(&served, "skew_ns = 700.0", "skew_ns = -1.0");
    let refused = served.run(&script(&served, true)).output().unwrap();
    assert!(!refused.status.success() && said(&refused).contains("skew_ns"), "{}", said(&refused));
}

#[test]
fn a_run_cut_short_keeps_its_judged_ratings() {
    let served = Served::start("honest");
    let mut child = served.run(&script(&served, false)).stderr(Stdio::null()).spawn().unwrap();
    let until = Instant::now() + Duration::from_secs(60);
    let results = served.folder.path().join("results");
    let judged = || {
        let run = bench::some_folder(&results)?;
        run.join("ratings.json").exists().then_some(run)
    };
    let folder = loop {
        if let Some(folder) = judged() {
            break folder;
        }
        assert!(Instant::now() < until, "no rating judged within a minute");
        std::thread::sleep(Duration::from_millis(5));
    };
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(told(&explain(&[folder.to_str().unwrap(), "1"])).contains("meets"));
    assert!(!folder.join("ratings.json.part").exists());
}
