//! The main job on every invented amplifier, against what the amplifier model itself says.
//!
//! Source of the truth: numerical solution of the model (steady state by fixed point, one-period spectrum), which
//! shares no code with capture, reading or search.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::process::Command;

use bench::{number, only_folder, rows, said, wattproof};

/// Runs the demo and compares every rating with the truth.
fn demo_agrees_with_truth(amplifier: &str, cause_of_first: Option<&str>) {
    let out = tempfile::tempdir().unwrap();
    let run = Command::new(wattproof())
        .args(["demo", "--amplifier", amplifier, "--seed", "3", "--out"])
        .arg(out.path())
        .output()
        .unwrap();
    assert!(run.status.success(), "{amplifier}: {}", said(&run));
    let told = Command::new(wattproof())
        .args(["virtual-bench", "--truth", "--amplifier", amplifier])
        .output()
        .unwrap();
    let truth: serde_json::Value = serde_json::from_slice(&told.stdout).unwrap();
    let folder = only_folder(out.path());
    let ratings = rows(&folder.join("ratings.csv"));
    assert_eq!(ratings.len(), truth.as_array().unwrap().len(), "{amplifier}: a row for every rating");
    // What single outputs can't show is left out, and that alone.
    let (left_out, ratings): (Vec<_>, Vec<_>) =
        ratings.into_iter().partition(|row| row["driven"] == "bridged");
    assert!(left_out.iter().all(|row| row["measured_w"].is_empty() && !row["not_measured"].is_empty()));
    // A line stage is rated in volts.
    let [measured, u, told_truth, unit] = if truth[0]["rated_vrms"].is_null() {
        ["measured_w", "expanded_u_w", "power_w", "W"]
    } else {
        ["measured_vrms", "expanded_u_vrms", "out_vrms", "V"]
    };
    for row in &ratings {
        let mut truths = truth.as_array().unwrap().iter();
        let truth = truths.find(|truth| truth["rating"].as_u64() == row["rating"].parse().ok()).unwrap();
        let (measured, u) = (number(row, measured), number(row, u));
        let true_value = truth[told_truth].as_f64().unwrap();
        let told = format!(
            "{amplifier} rating {}: measured {measured:.3} {unit} ± {u:.3} {unit}, truth {true_value:.3} {unit}, off {:.3} %, cause {} (model: {})",
            row["rating"],
            100.0 * (measured / true_value - 1.0),
            row["cause"],
            truth["cause"]
        );
        println!("{told}");
        assert!((measured - true_value).abs() <= u, "outside U: {told}");
        assert!((measured / true_value - 1.0).abs() <= 0.01, "off by more than 1 %: {told}");
    }
    if let Some(cause) = cause_of_first {
        assert_eq!(ratings[0]["cause"], cause, "{amplifier}");
    }
    for file in ["steps.csv", "curve.csv", "journal.jsonl", "run.json"] {
        assert!(folder.join(file).metadata().unwrap().len() > 100, "{amplifier}: {file} is empty");
    }
    let steps = rows(&folder.join("steps.csv"));
    let per_step_channels = if amplifier == "quartet" { 4 } else { 2 };
    let journal = std::fs::read_to_string(folder.join("journal.jsonl")).unwrap();
    let recorded = journal.matches("\"kind\":\"step\"").count();
    assert_eq!(steps.len(), recorded * per_step_channels, "{amplifier}: CSV and journal agree");
}

macro_rules! demos {
    ($($name:ident => $cause:expr;)*) => {$(
        #[test]
        fn $name() { demo_agrees_with_truth(stringify!($name), $cause); }
    )*};
}

demos! {
    asymmetric => None;
    crossover => None;
    folding => None;
    honest => Some("clipping");
    hot => None;
    limiting => Some("limiting");
    line => Some("clipping");
    noisy => None;
    offset => None;
    quartet => None;
    sagging => None;
    short => None;
    soft => None;
    starved => Some("drive exhausted");
    switching => None;
}

/// A channel that passes nothing is told before the job begins, with everything off (exit codes: README.md).
#[test]
fn a_dead_channel_ends_the_demo_before_it_begins() {
    let out = tempfile::tempdir().unwrap();
    let run = Command::new(wattproof())
        .args(["demo", "--amplifier", "dead", "--out"])
        .arg(out.path())
        .output()
        .unwrap();
    assert_eq!(run.status.code(), Some(4), "{}", said(&run));
    assert!(
        said(&run).contains("gain, channel 2") && said(&run).contains("every output is off"),
        "{}",
        said(&run)
    );
    assert!(rows(&only_folder(out.path()).join("steps.csv")).is_empty());
}

/// Every amplifier that ships has its demo above.
#[test]
fn no_amplifier_is_forgotten() {
    let listed = Command::new(wattproof()).args(["virtual-bench", "--list"]).output().unwrap();
    let text = String::from_utf8(listed.stdout).unwrap();
    let source = include_str!("demo.rs");
    for name in text.lines().filter_map(|line| line.split_whitespace().next()) {
        let has_demo =
            source.contains(&format!("    {name} => ")) || source.contains(&format!("\"{name}\", \"--out\""));
        assert!(has_demo, "{name} has no demo test");
    }
}
