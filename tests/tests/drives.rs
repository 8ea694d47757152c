//! Bursts and two tones from a script to the amplifier and back, on the served bench.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use bench::{Served, said};

const BEGIN: &str = "
load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, on: true });
source(#{ hz: 1000.0, level_vrms: 0.02, on: true });
settle();
";

/// Records of one kind in the run's journal.
fn records(served: &Served, kind: &str) -> Vec<serde_json::Value> {
    let journal = std::fs::read_to_string(served.run_folder().join("journal.jsonl")).unwrap();
    let lines = journal.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    lines.filter(|line| line["kind"] == kind).map(|line| line["data"].clone()).collect()
}

/// The tones' levels and ratio are those that the method's definition asks for (SMPTE RP 120 and IEC 60268-3, both
/// from memory) times the amplifier's gain of 30 dB; far below clipping an honest amplifier's products are small.
#[test]
fn two_tones_reach_the_amplifier_in_the_right_proportion() {
    let served = Served::start("honest");
    let script = served.script(&format!(
        "{BEGIN}
        two_tone(#{{ kind: \"smpte\", level_vrms: 0.2 }});
        settle();
        let smpte = capture_two_tone();
        if smpte.channels.len() != 2 {{ throw \"two channels\" }}
        two_tone(#{{ kind: \"twin_tone\", level_vrms: 0.2 }});
        settle();
        capture_two_tone();
        source(#{{ hz: 1000.0, level_vrms: 0.02 }});
        settle();
        capture();
        source(#{{ on: false }});
        supply(#{{ on: false }});"
    ));
    let run = served.run(&script).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    let found = records(&served, "two_tone");
    assert_eq!(found.len(), 2);
    let divider = 4.0 / 4.04 * 10f64.powf(30.0 / 20.0);
    for (record, low, ratio, limit_pct) in [(&found[0], 0.16, 4.0, 0.1), (&found[1], 0.1, 1.0, 0.1)] {
        let reading = &record["channels"][0]["reading"];
        let number = |key: &str| reading[key].as_f64().unwrap_or_else(|| panic!("{key}: {reading}"));
        println!("{} imd {} % low {} V", record["kind"], number("imd_pct"), number("low_vrms"));
        assert!((number("tone_ratio") / ratio - 1.0).abs() < 2e-3, "{reading}");
        // The bench's divider and current sensor are tolerances of 0.1 %.
        assert!((number("low_vrms") / (low * divider) - 1.0).abs() < 5e-3, "{reading}");
        assert!(number("imd_pct") < limit_pct, "{reading}");
    }
    let steps = bench::rows(&served.run_folder().join("steps.csv"));
    assert_eq!(steps.len(), 2, "a two-tone capture is no row of steps.csv");
    let gain_db = bench::number(&steps[0], "gain_db");
    assert!((gain_db - 20.0 * divider.log10()).abs() < 0.05, "back to one tone: {gain_db}");
}

/// A steady reading of something that is not steady would mean nothing.
#[test]
fn a_plain_capture_of_bursts_is_refused() {
    let served = Served::start("honest");
    let script = served.script(&format!("{BEGIN} burst(#{{ level_vrms: 0.1 }}); settle(); capture();"));
    let run = served.run(&script).output().unwrap();
    assert!(!run.status.success());
    assert!(said(&run).contains("bursts or two tones are played"), "{}", said(&run));
    assert_eq!(served.ask("source", "OUTP1?"), "0");
}

/// The guard judges bursts by their loud part and two tones by their sum: limits of the served bench file.
#[test]
fn the_guard_judges_the_loudest_part() {
    for (call, limit) in [
        ("burst(#{ level_vrms: 2.5, rest_vrms: 0.01 })", "source_vrms_max"),
        ("two_tone(#{ kind: \"smpte\", level_vrms: 2.1 })", "source_vrms_max"),
    ] {
        let served = Served::start("honest");
        let run = served.run(&served.script(&format!("{BEGIN} {call};"))).output().unwrap();
        assert!(!run.status.success() && said(&run).contains(limit), "{call}: {}", said(&run));
        assert_eq!((served.ask("source", "OUTP1?"), served.ask("supply", "OUTP?")), ("0".into(), "0".into()));
    }
}
