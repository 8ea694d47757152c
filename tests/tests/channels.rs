//! Four amplifier channels on one supply that sags, all of them driven, one, and bridged, on real pseudo-terminals.
//!
//! The truth is the virtual amplifier's own model (`virtual-bench --truth`), which shares no code with the daemon.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::path::Path;
use std::process::Command;

use bench::{Served, finished, number, root, rows, said, wattproof};
use serde_json::Value;

/// Invented: four channels not quite alike; rated all at once, one alone, and bridged, each into 4 ohm.
const AMPLIFIER: &str = "quartet";
const ALL: usize = 1;
const ONE: usize = 2;
const BRIDGED: usize = 3;

/// What the model says a rating comes to, W.
fn truth_w(rating: usize) -> f64 {
    let told = Command::new(wattproof())
        .args(["virtual-bench", "--truth", "--amplifier", AMPLIFIER])
        .output()
        .unwrap();
    let told: Vec<Value> = serde_json::from_slice(&told.stdout).unwrap();
    let told = told.iter().find(|one| one["rating"] == rating).unwrap();
    told["power_w"].as_f64().unwrap()
}

fn is_off(served: &Served) {
    for question in ["OUTP1?", "OUTP2?", "OUTP3?", "OUTP4?"] {
        assert_eq!(served.ask("source", question), "0", "{question}");
    }
    assert_eq!(served.ask("supply", "OUTP?"), "0");
}

fn count(text: &str, what: &str) -> usize {
    text.matches(what).count()
}

/// The row of a rating, compared with the truth within its U.
fn holds(folder: &Path, rating: usize) -> f64 {
    let row = rows(&folder.join("ratings.csv")).into_iter().find(|row| row["rating"] == rating.to_string());
    let row = row.unwrap();
    let (measured_w, u_w, truth_w) =
        (number(&row, "measured_w"), number(&row, "expanded_u_w"), truth_w(rating));
    println!(
        "rating {rating} ({}): {measured_w} ± {u_w} W, truth {truth_w} W, {}",
        row["driven"], row["cause"]
    );
    assert!((measured_w - truth_w).abs() <= u_w, "rating {rating}: {measured_w} ± {u_w}, truth {truth_w}");
    assert!(u_w < 0.01 * measured_w, "rating {rating}: U of {u_w} W is no measurement");
    assert_eq!(row["not_measured"], "");
    measured_w
}

/// A rating that this wiring can't show: claimed, nothing measured, and why.
fn is_left_out(folder: &Path, rating: usize, why: &str) {
    let table = rows(&folder.join("ratings.csv"));
    let row = table.iter().find(|row| row["rating"] == rating.to_string()).unwrap();
    for column in ["measured_w", "expanded_u_w", "ratio", "verdict", "cause", "captures"] {
        assert_eq!(row[column], "", "{column} of a rating that was not measured");
    }
    assert!(row["not_measured"].contains(why) && number(row, "rated_w") > 0.0, "{row:?}");
}

fn again(served: &Served) {
    for word in ["recompute", "rebuild"] {
        let again = served.again(word, &served.run_folder()).output().unwrap();
        assert!(again.status.success(), "{word}: {}", said(&again));
    }
}

#[test]
fn four_channels_give_less_together_than_one_and_agree_with_the_model() {
    let served = Served::start(AMPLIFIER);
    let file = std::fs::read_to_string(served.bench()).unwrap();
    assert_eq!((count(&file, "\"volts\""), count(&file, "\"amps\"")), (4, 4), "{file}");
    let run = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
    // One channel alone falls short of its claim, by the model's own truth.
    assert_eq!(run.status.code(), Some(10), "{}", said(&run));
    let folder = served.run_folder();
    let (all_w, one_w) = (holds(&folder, ALL), holds(&folder, ONE));
    assert!(all_w < 0.95 * one_w, "the supply must sag more for four: {all_w} W and {one_w} W");
    is_left_out(&folder, BRIDGED, "[[digitizer.bridge]]");
    assert!(said(&run).contains("rating 3 is not measured"), "{}", said(&run));
    // Every step has all four channels; the weakest of those driven decides.
    let steps = rows(&folder.join("steps.csv"));
    let driven = |rating: usize| {
        let of = steps.iter().filter(move |row| row["rating"] == rating.to_string());
        of.filter(|row| row["driven"] == "true").map(|row| row["channel"].clone())
    };
    let mut each: Vec<String> = driven(ALL).collect();
    each.sort();
    each.dedup();
    assert_eq!(each, ["1", "2", "3", "4"]);
    assert!(driven(ONE).all(|channel| channel == "1"));
    assert_eq!(steps.len() % 4, 0, "a row for each channel of each step");
    let ratings: Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("ratings.json")).unwrap()).unwrap();
    let indicated_w = ratings["ratings"][0]["indicated_w"].as_f64().unwrap();
    let run_json: Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("run.json")).unwrap()).unwrap();
    let each_w: Vec<f64> = run_json["ratings"][0]["ceiling"]["power_w_each"]
        .as_array()
        .unwrap()
        .iter()
        .map(|watts| watts.as_f64().unwrap())
        .collect();
    let lowest_w = each_w.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(each_w.len() == 4 && (indicated_w - lowest_w).abs() < 1e-9, "{each_w:?}, {indicated_w}");
    is_off(&served);
    again(&served);
}

/// The main job on bridges: the voltage across each by a divider from either side, or by one differential input.
fn bridges_hold(further: &[&str], by_dividers: bool) {
    let served = Served::start_with(AMPLIFIER, further);
    let file = std::fs::read_to_string(served.bench()).unwrap();
    assert_eq!((count(&file, "[[digitizer.bridge]]"), count(&file, "\"amps\"")), (2, 2), "{file}");
    let dividers = if by_dividers { 4 } else { 2 };
    assert_eq!((count(&file, "\"volts\""), count(&file, "negative = ")), (dividers, dividers - 2), "{file}");
    let run = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
    assert!(finished(&run), "{}", said(&run));
    let folder = served.run_folder();
    holds(&folder, BRIDGED);
    is_left_out(&folder, ALL, "wired for bridged");
    is_left_out(&folder, ONE, "wired for bridged");
    let ratings: Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("ratings.json")).unwrap()).unwrap();
    // Both dividers count, each by its share.
    let budget = ratings["ratings"][0]["budget"].to_string();
    assert_eq!(budget.contains("voltage gain, negative side"), by_dividers, "{budget}");
    assert_eq!(ratings["ratings"][0]["driven"], "bridged");
    for row in rows(&folder.join("steps.csv")).iter().filter(|row| row["driven"] == "true") {
        assert_eq!(row["bridged"], "true");
        if by_dividers {
            // Each side carries half of what is between them.
            let sides = number(row, "positive_vrms") + number(row, "negative_vrms");
            assert!((sides / number(row, "out_vrms") - 1.0).abs() < 5e-3, "{row:?}");
        } else {
            assert_eq!((row["positive_vrms"].as_str(), row["negative_vrms"].as_str()), ("", ""), "{row:?}");
        }
    }
    let told = |rating: &str| {
        let explain = Command::new(wattproof()).arg("explain").arg(&folder).arg(rating).output().unwrap();
        format!("{}{}", String::from_utf8_lossy(&explain.stdout), said(&explain))
    };
    assert!(told("3").contains("channels bridged"), "{}", told("3"));
    assert!(told("1").contains("did not measure rating 1"), "{}", told("1"));
    is_off(&served);
    again(&served);
}

#[test]
fn bridges_by_dividers_agree_with_the_model_and_single_ratings_are_left_out() {
    bridges_hold(&["--bridged"], true);
}

#[test]
fn bridges_by_a_differential_input_agree_with_the_model_too() {
    bridges_hold(&["--bridged", "--differential"], false);
}

/// Both sides in phase leave nothing between them: found at the small level, told clearly, nothing begun.
#[test]
fn a_bridge_whose_sides_swing_together_is_refused() {
    let served = Served::start_with_faults_and(
        AMPLIFIER,
        &["--bridged"],
        "[[fault]]\nport = \"source\"\nwhat = \"bridge_in_phase\"\nfor_s = 600.0\n",
    );
    let run = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
    assert_eq!(run.status.code(), Some(4), "{}", said(&run));
    for words in ["bridge, channel 1: wrong", "both swing together", "bridged mode", "the run is not started"]
    {
        assert!(said(&run).contains(words), "no {words:?} in {}", said(&run));
    }
    let steps = rows(&served.run_folder().join("steps.csv"));
    assert!(steps.is_empty());
    is_off(&served);
}

/// A nameplate of which this wiring can serve nothing: told before anything is switched on.
#[test]
fn a_bench_wired_for_none_of_the_ratings_switches_nothing_on() {
    let served = Served::start("honest");
    let plate = std::fs::read_to_string(served.nameplate()).unwrap();
    std::fs::write(served.nameplate(), plate.replace("driven = \"all\"", "driven = \"bridged\"")).unwrap();
    let run = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
    assert_eq!(run.status.code(), Some(1), "{}", said(&run));
    let told = said(&run);
    assert!(told.contains("can serve no rating") && told.contains("rating 1: it is for bridged"), "{told}");
    let journal = std::fs::read_to_string(served.run_folder().join("journal.jsonl")).unwrap();
    assert!(!journal.contains("\"kind\":\"act\""), "something was done on the bench");
    is_off_two(&served);
    let ratings = rows(&served.run_folder().join("ratings.csv"));
    assert!(!ratings.is_empty() && ratings.iter().all(|row| row["measured_w"].is_empty()));
}

fn is_off_two(served: &Served) {
    let asked = [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")];
    assert!(asked.iter().all(|(role, question)| served.ask(role, question) == "0"));
}

/// A script can't ask for a wiring that is not there.
#[test]
fn a_script_can_not_bridge_what_is_not_bridged() {
    let served = Served::start("honest");
    let run = served.run(&served.script("source(#{ hz: 1000.0, driven: \"bridged\" });")).output().unwrap();
    let told = said(&run);
    assert!(!run.status.success() && told.contains("only a person can change that"), "{told}");
}

/// Eight inputs sampled together, whether one block holds all of a channel, or they come sample by sample, or each is
/// fetched by itself. The self-check drives output by output, so that inputs in a wrong order would be named; at 10 kHz a
/// channel sampled later than its neighbour by an eighth of the interval would turn the phase by 2.3°.
#[test]
fn eight_inputs_are_one_moment_in_every_layout() {
    for manner in [None, Some("packed-digitizer"), Some("list-digitizer")] {
        let further: Vec<&str> = manner.iter().flat_map(|name| ["--manner", name]).collect();
        let served = Served::start_with(AMPLIFIER, &further);
        // Sixteen bits and text need more time for each sample.
        let file = std::fs::read_to_string(served.bench()).unwrap();
        std::fs::write(served.bench(), file.replace("samples = 19200", "samples = 1920")).unwrap();
        let script = served.script(
            "load(#{ ohm: 4.0 }); supply(#{ volts_v: 14.4, on: true });
             source(#{ hz: 10000.0, level_vrms: 0.2, driven: \"all\", on: true }); settle(); capture();
             source(#{ on: false }); supply(#{ on: false });",
        );
        let run = served.run(&script).output().unwrap();
        assert!(run.status.success(), "{manner:?}: {}", said(&run));
        let steps = rows(&served.run_folder().join("steps.csv"));
        assert_eq!(steps.len(), 4, "{manner:?}");
        for row in &steps {
            assert!(number(row, "phase_deg").abs() < 0.1, "{manner:?}: {row:?}");
            assert!((number(row, "load_ohm_measured") / 4.0 - 1.0).abs() < 3e-3, "{manner:?}: {row:?}");
        }
        is_off(&served);
    }
}
