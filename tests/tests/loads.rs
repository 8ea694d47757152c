//! Loads that can't be set to any resistance: taps on a switch, and resistors that nobody sets.
//!
//! The truth is the virtual amplifier's own model, at the rated load; what the load really is, is the manner's word
//! (`drivers/virtual-bench/manners/tapped-load.toml`), which the daemon never reads.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::process::Command;

use bench::{Served, number, root, rows, said, wattproof};

/// What the model says each rating of an amplifier comes to, W.
fn truths(amplifier: &str) -> Vec<f64> {
    let told = Command::new(wattproof())
        .args(["virtual-bench", "--truth", "--amplifier", amplifier])
        .output()
        .unwrap();
    let told: Vec<serde_json::Value> = serde_json::from_slice(&told.stdout).unwrap();
    told.iter().map(|rating| rating["power_w"].as_f64().unwrap()).collect()
}

/// Says what the owner of the resistors measured.
fn with_taps(served: &Served, line: &str) {
    let text = std::fs::read_to_string(served.bench()).unwrap();
    assert!(text.contains("\n[load]\n"), "{text}");
    std::fs::write(served.bench(), text.replace("\n[load]\n", &format!("\n[load]\n{line}\n"))).unwrap();
}

fn is_off(served: &Served) {
    assert_eq!((served.ask("source", "OUTP1?"), served.ask("supply", "OUTP?")), ("0".into(), "0".into()));
}

/// Power is told at the rated load, whatever tap was used; V²/R for an amplifier whose rails bound it.
#[test]
fn ratings_are_judged_at_the_rated_load_through_the_nearest_tap() {
    let served = Served::start_with("honest", &["--manner", "tapped-load"]);
    with_taps(&served, "taps_ohm = [2.02, 3.95, 8.06]");
    let run = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    let ratings = rows(&served.run_folder().join("ratings.csv"));
    let truths = truths("honest");
    assert_eq!((ratings.len(), truths.len()), (3, 3));
    for (rating, truth_w) in ratings.iter().zip(truths) {
        let (measured_w, u_w) = (number(rating, "measured_w"), number(rating, "expanded_u_w"));
        let tap_ohm = if number(rating, "load_ohm") == 4.0 { 3.95 } else { 2.02 };
        println!("{measured_w} ± {u_w} W, truth {truth_w} W, indicated {} W", rating["indicated_w"]);
        assert!((measured_w - truth_w).abs() <= u_w, "{measured_w} ± {u_w}, truth {truth_w}");
        assert!(
            (number(rating, "indicated_w") - truth_w).abs() > u_w,
            "the tap made no difference: {rating:?}"
        );
        assert_eq!(number(rating, "load_ohm_set"), tap_ohm);
    }
    for step in rows(&served.run_folder().join("steps.csv")) {
        let set_ohm = number(&step, "load_ohm");
        assert!(set_ohm == 3.95 || set_ohm == 2.02, "{set_ohm}");
        // Measured against the tap, not against what was asked for: 0.1 % of voltage and current gain each.
        if let Ok(measured_ohm) = step["load_ohm_measured"].parse::<f64>() {
            assert!((measured_ohm / set_ohm - 1.0).abs() < 2.5e-3, "{measured_ohm} of {set_ohm}");
        }
    }
    assert_eq!(served.ask("load", "TAP? 1"), "2", "the last rating is of 4 ohm");
    is_off(&served);
    // The record alone gives the same again, taps and all.
    for word in ["recompute", "rebuild"] {
        let again = served.again(word, &served.run_folder()).output().unwrap();
        assert!(again.status.success(), "{word}: {}", said(&again));
    }
}

#[test]
fn a_resistance_beside_every_tap_is_refused_and_names_them() {
    let served = Served::start_with("honest", &["--manner", "tapped-load"]);
    let run = served.run(&served.script("load(#{ ohm: 6.0 });")).output().unwrap();
    assert!(!run.status.success());
    let told = said(&run);
    // Without a word of the bench file, the dialect's own.
    assert!(told.contains("taps of 2 ohm, 4 ohm, 8 ohm, and 6 ohm was asked for"), "{told}");
    is_off(&served);
    with_taps(&served, "taps_ohm = [2.0, 4.0]");
    let run = served.run(&served.script("load(#{ ohm: 4.0 });")).output().unwrap();
    let told = said(&run);
    assert!(!run.status.success() && told.contains("bench.toml:") && told.contains("2 entries"), "{told}");
}

const BEGIN: &str = "
supply(#{ volts_v: 14.4, on: true });
source(#{ hz: 1000.0, level_vrms: 0.2, on: true });
settle();
capture();
";

/// A run whose load is resistors is killed, goes on, and ends with everything off: nothing is asked of a load.
#[test]
fn resistors_need_no_load_on_any_port() {
    let served = Served::start_with("honest", &["--fixed-load", "4.1"]);
    let text = std::fs::read_to_string(served.bench()).unwrap();
    assert!(text.contains("fixed_ohm = 4.1") && !text.contains("[load.link]"), "{text}");
    // Neither asked for nor refused: 4 ohm is within 5 % of what there is.
    let script =
        served.script(&format!("{BEGIN} load(#{{ ohm: 4.0 }}); settle(); capture(); throw \"cut\";"));
    let run = served.run(&script).output().unwrap();
    assert!(!run.status.success() && said(&run).contains("cut"), "{}", said(&run));
    is_off(&served);
    let folder = served.run_folder();
    let mended = served.script(&format!(
        "{BEGIN} load(#{{ ohm: 4.0 }}); settle(); capture(); capture(\"again\"); source(#{{ on: false }}); supply(#{{ on: false }});"
    ));
    let resumed = served.again("resume", &folder).arg("--script").arg(mended).output().unwrap();
    assert!(resumed.status.success(), "{}", said(&resumed));
    is_off(&served);
    let steps = rows(&folder.join("steps.csv"));
    assert_eq!(steps.len(), 6, "three captures of two channels");
    for step in steps {
        assert_eq!(number(&step, "load_ohm"), 4.1);
        assert!((number(&step, "load_ohm_measured") / 4.1 - 1.0).abs() < 2.5e-3);
        // 30 dB of gain into 4.1 ohm behind 0.04 ohm: 6.26 V, 9.57 W.
        assert!((number(&step, "active_w") / 9.57 - 1.0).abs() < 0.02, "{}", step["active_w"]);
    }
}

#[test]
fn other_resistances_than_the_resistors_have_are_refused() {
    let served = Served::start_with("honest", &["--fixed-load", "4.0"]);
    let run = served.run(&served.script("load(#{ ohm: 2.0 });")).output().unwrap();
    assert!(!run.status.success() && said(&run).contains("is fixed at 4 ohm"), "{}", said(&run));
    is_off(&served);
    // Wrong resistors are a fault: the guard compares volts and amperes with what the file says.
    let text = std::fs::read_to_string(served.bench()).unwrap();
    std::fs::write(served.bench(), text.replace("fixed_ohm = 4.0", "fixed_ohm = 8.5")).unwrap();
    let run = served.run(&served.script(BEGIN)).output().unwrap();
    let told = said(&run);
    assert!(!run.status.success() && told.contains("8.5 ohm"), "{told}");
    is_off(&served);
}
