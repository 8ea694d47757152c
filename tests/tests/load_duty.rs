//! A load that takes much power for a while and less for ever.
//!
//! The simulated load really warms and cuts itself off for good (`drivers/virtual-bench/src/world/cutout.rs`), by the
//! stated figures and without a line of the daemon's code. The truth of a ceiling is the virtual amplifier's own model.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::process::Command;

use bench::{Served, number, rows, said, wattproof};

/// 300 W at any moment, 60 W for ever, 3 s of the first: a time constant of 13.4 s.
const STANDS: [&str; 2] = ["--load-stands", "300,60,3"];
const BEGIN: &str = "
load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, on: true });
source(#{ hz: 1000.0, level_vrms: 0.2, on: true });
settle();
capture();
";
/// 108 W into 4 ohm from an amplifier of 30 dB.
const LOUD: &str = "source(#{ level_vrms: 0.66 }); settle(); capture();";

fn is_off(served: &Served) {
    assert_eq!((served.ask("source", "OUTP1?"), served.ask("supply", "OUTP?")), ("0".into(), "0".into()));
}

/// Takes the load's figures out of the bench file, as of an owner who doesn't know them.
fn forget(served: &Served) {
    let text = std::fs::read_to_string(served.bench()).unwrap();
    let kept: Vec<&str> = text
        .lines()
        .filter(|line| {
            !["watts_max", "watts_continuous", "seconds_at_max"].iter().any(|key| line.starts_with(key))
        })
        .collect();
    assert_eq!(text.lines().count() - kept.len(), 3, "{text}");
    std::fs::write(served.bench(), kept.join("\n")).unwrap();
}

/// The search rests where the load must cool, comes to the truth, and the load is whole afterwards.
#[test]
fn a_search_gives_the_load_its_time_and_comes_to_the_truth() {
    let served = Served::start_with("honest", &STANDS);
    let script = served.script(
        "let rating = nameplate().ratings[0];
        load(#{ ohm: rating.load_ohm });
        supply(#{ volts_v: rating.supply_v, on: true });
        source(#{ hz: rating.hz, driven: rating.driven });
        let ceiling = find_ceiling(rating);
        for n in 0..6 { source(#{ level_vrms: ceiling.level_vrms, on: true }); settle(); capture(); }
        record(rating, ceiling);
        source(#{ on: false });
        supply(#{ on: false });",
    );
    let run = served.run(&script).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    let told = Command::new(wattproof()).args(["virtual-bench", "--truth"]).output().unwrap();
    let truth: serde_json::Value = serde_json::from_slice(&told.stdout).unwrap();
    let truth_w = truth[0]["power_w"].as_f64().unwrap();
    let rating = &rows(&served.run_folder().join("ratings.csv"))[0];
    let (measured_w, u_w) = (number(rating, "measured_w"), number(rating, "expanded_u_w"));
    assert!((measured_w - truth_w).abs() <= u_w, "{measured_w} ± {u_w}, truth {truth_w}");
    let journal = std::fs::read_to_string(served.run_folder().join("journal.jsonl")).unwrap();
    let lines = journal.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    let rests: Vec<f64> =
        lines.filter_map(|line| line["data"]["rested"]["rested_s"].as_f64()).filter(|s| *s > 0.0).collect();
    println!(
        "{measured_w} ± {u_w} W, truth {truth_w} W, {} rests of {:.1} s",
        rests.len(),
        rests.iter().sum::<f64>()
    );
    // Ten captures above 100 W of 1.5 s each are 10 kJ; 60 W carry them off in three minutes without a rest less.
    assert!(rests.len() >= 3, "{rests:?}");
    for word in ["recompute", "rebuild"] {
        let again = served.again(word, &served.run_folder()).output().unwrap();
        assert!(again.status.success(), "{word}: {}", said(&again));
    }
    is_off(&served);
}

/// What happens without the figures: the load cuts itself off, and the guard finds it open.
#[test]
fn without_its_figures_the_load_cuts_itself_off() {
    let served = Served::start_with("honest", &STANDS);
    forget(&served);
    let script = served.script(&format!("{BEGIN} for n in 0..40 {{ {LOUD} settle(0.5); }}"));
    let run = served.run(&script).output().unwrap();
    let told = said(&run);
    assert!(
        !run.status.success() && (told.contains("it is open") || told.contains("check the load")),
        "{told}"
    );
    is_off(&served);
}

/// What a script doesn't let be foreseen ends in a trip before the load is hurt.
#[test]
fn a_level_held_for_longer_than_the_load_stands_trips_in_time() {
    let served = Served::start_with("honest", &STANDS);
    let script = served.script(&format!("{BEGIN} {LOUD} sleep(40);"));
    let run = served.run(&script).output().unwrap();
    let told = said(&run);
    assert!(!run.status.success() && told.contains("watts_continuous of the load"), "{told}");
    is_off(&served);
    // Seen by a person, as any limit that was exceeded; then the load is found whole.
    let again = served.run(&served.script(BEGIN)).output().unwrap();
    assert!(!again.status.success() && said(&again).contains("reset"), "{}", said(&again));
}

/// A script that says how long gets the rest it needs, or is told how long it can have.
#[test]
fn a_script_can_ask_for_time_at_a_level() {
    let served = Served::start_with("honest", &STANDS);
    let script = served.script(&format!(
        "{BEGIN}
        let can = rest_load(#{{ level_vrms: 0.66, seconds: 6.0 }});
        if can != 6.0 {{ throw `only ${{can}} s` }}
        source(#{{ level_vrms: 0.66, on: true }});
        settle(5.0);
        source(#{{ level_vrms: 0.02 }});
        let never = rest_load(#{{ level_vrms: 0.66, seconds: 600.0 }});
        if never > 15.0 || never < 5.0 {{ throw `${{never}} s from cold` }}
        source(#{{ on: false }});
        supply(#{{ on: false }});"
    ));
    let run = served.run(&script).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    is_off(&served);
}

/// More than the load stands is refused before it is sent, and a rating beyond it before anything is switched on.
#[test]
fn what_the_load_does_not_stand_is_refused() {
    let served = Served::start_with("honest", &["--load-stands", "90,60,3"]);
    let script =
        served.script(&format!("{BEGIN} source(#{{ level_vrms: 0.3 }}); settle(); capture(); {LOUD}"));
    let run = served.run(&script).output().unwrap();
    let told = said(&run);
    assert!(
        !run.status.success() && told.contains("watts_max of the load") && told.contains("asked for"),
        "{told}"
    );
    is_off(&served);
    let run = served.run(&served.script("find_ceiling(nameplate().ratings[0]);")).output().unwrap();
    let told = said(&run);
    assert!(!run.status.success() && told.contains("more than the load stands"), "{told}");
    is_off(&served);
}
