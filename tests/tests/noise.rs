//! Noise from a script to the amplifier and back, on the served bench. The truth is the amplifier's gain of 30 dB and
//! what Ohm's law makes of it; that noise has the colour and crest it should is tested where it is made.

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
digitizer(#{ samples: 96000 });
settle();
";

/// Captures of noise in the run's journal.
fn noises(served: &Served) -> Vec<serde_json::Value> {
    let journal = std::fs::read_to_string(served.run_folder().join("journal.jsonl")).unwrap();
    let lines = journal.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    lines.filter(|line| line["kind"] == "noise").map(|line| line["data"].clone()).collect()
}

fn number(reading: &serde_json::Value, key: &str) -> f64 {
    reading[key].as_f64().unwrap_or_else(|| panic!("{key}: {reading}"))
}

/// Half a second of noise holds its level within a few per cent; power is that of its rms in the load.
#[test]
fn noise_reaches_the_amplifier_with_its_level_and_crest() {
    let served = Served::start("honest");
    let script = served.script(&format!(
        "{BEGIN}
        noise(#{{ kind: \"white\", level_vrms: 0.2, crest: 2.0 }});
        settle();
        capture_noise();
        noise(#{{ kind: \"pink\", level_vrms: 0.1, crest: 4.0 }});
        settle();
        let pink = capture_noise();
        if pink.channels.len() != 2 {{ throw \"two channels\" }}
        source(#{{ level_vrms: 0.02 }});
        settle();
        capture();
        source(#{{ on: false }});
        supply(#{{ on: false }});"
    ));
    let run = served.run(&script).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    let found = noises(&served);
    assert_eq!(found.len(), 2);
    let divider = 4.0 / 4.04 * 10f64.powf(30.0 / 20.0);
    for (record, level_vrms, crests) in [(&found[0], 0.2, 1.9..2.3), (&found[1], 0.1, 2.6..4.2)] {
        let reading = &record["channels"][0]["reading"];
        let (vrms, watts) = (number(reading, "out_vrms"), number(reading, "active_w"));
        println!("{vrms} V, {watts} W, crest {}", number(reading, "crest_factor"));
        assert!((vrms / (level_vrms * divider) - 1.0).abs() < 0.08, "{reading}");
        assert!((watts / (vrms * vrms / 4.0) - 1.0).abs() < 0.005, "{reading}");
        assert!(crests.contains(&number(reading, "crest_factor")), "{reading}");
        assert_eq!(reading["flags"], serde_json::json!(["no_distortion"]), "{reading}");
    }
    // Two outputs, two noises: what both played at once is not the same.
    let of = |channel: usize| number(&found[1]["channels"][channel]["reading"], "out_vpk");
    assert!((of(0) / of(1) - 1.0).abs() > 1e-3);
    assert_eq!(served.ask("source", "SOUR1:FUNC?"), "SIN", "back to one tone");
    assert_eq!(bench::rows(&served.run_folder().join("steps.csv")).len(), 2, "noise is no row of steps.csv");
    let again = served.again("recompute", &served.run_folder()).output().unwrap();
    assert!(again.status.success(), "{}", said(&again));
}

/// By its peaks: 1 V rms of a crest of 4 reaches what a sine of 2.83 V does, and this bench file allows 2 V.
#[test]
fn the_guard_judges_noise_by_its_peaks() {
    let served = Served::start("honest");
    let run = served
        .run(&served.script(&format!("{BEGIN} noise(#{{ kind: \"white\", level_vrms: 1.0, crest: 4.0 }});")))
        .output()
        .unwrap();
    assert!(!run.status.success() && said(&run).contains("source_vrms_max"), "{}", said(&run));
    assert_eq!((served.ask("source", "OUTP1?"), served.ask("supply", "OUTP?")), ("0".into(), "0".into()));
}

/// Another dialect's noise: white without a crest factor, whose rms is that of the sine set (invented, as its manner says).
#[test]
fn a_source_of_another_dialect_plays_its_noise() {
    let served = Served::start_with("honest", &["--manner", "peak-source"]);
    let script = served.script(&format!(
        "{BEGIN} noise(#{{ kind: \"white\", level_vrms: 0.2 }}); settle(); capture_noise();
        source(#{{ level_vrms: 0.02, on: false }}); supply(#{{ on: false }});"
    ));
    let run = served.run(&script).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    let found = noises(&served);
    let vrms = number(&found[0]["channels"][0]["reading"], "out_vrms");
    let expected = 0.2 * 4.0 / 4.04 * 10f64.powf(30.0 / 20.0);
    assert!((vrms / expected - 1.0).abs() < 0.08, "{vrms} V for {expected} V");
}

/// Whoever asks for a crest factor that the source can't be given is told so before anything sounds.
#[test]
fn a_crest_factor_that_cannot_be_set_is_refused() {
    let served = Served::start_with("honest", &["--manner", "peak-source"]);
    let noise = "noise(#{ kind: \"white\", level_vrms: 0.1, crest: 2.0 });";
    let told = said(&served.run(&served.script(&format!("{BEGIN} {noise}"))).output().unwrap());
    assert!(told.contains("peak-source") && told.contains("set_crest"), "{told}");
}

/// What a source can't play is told with what its dialect lacks; a tone's reading of noise would mean nothing.
#[test]
fn noise_that_cannot_be_is_refused() {
    let served = Served::start_with("honest", &["--manner", "peak-source"]);
    let run = served
        .run(&served.script(&format!("{BEGIN} noise(#{{ kind: \"pink\", level_vrms: 0.1 }});")))
        .output()
        .unwrap();
    let told = said(&run);
    assert!(
        !run.status.success() && told.contains("peak-source") && told.contains("set_noise_pink"),
        "{told}"
    );
    let served = Served::start("honest");
    let run =
        served
            .run(&served.script(&format!(
                "{BEGIN} noise(#{{ kind: \"white\", level_vrms: 0.1 }}); settle(); capture();"
            )))
            .output()
            .unwrap();
    assert!(!run.status.success() && said(&run).contains("or noise"), "{}", said(&run));
    assert_eq!(served.ask("source", "OUTP1?"), "0");
}

/// A run that ended in the midst of noise goes on with it.
#[test]
fn a_resumed_run_plays_its_noise_again() {
    let served = Served::start("honest");
    let noise = "noise(#{ kind: \"white\", level_vrms: 0.2, crest: 2.0 }); settle(); capture_noise();";
    let run = served.run(&served.script(&format!("{BEGIN} {noise} throw \"cut\";"))).output().unwrap();
    assert!(!run.status.success() && said(&run).contains("cut"), "{}", said(&run));
    let mended = served.script(&format!(
        "{BEGIN} {noise} capture_noise(); source(#{{ on: false }}); supply(#{{ on: false }});"
    ));
    let resumed = served.again("resume", &served.run_folder()).arg("--script").arg(mended).output().unwrap();
    assert!(resumed.status.success(), "{}", said(&resumed));
    let found = noises(&served);
    assert_eq!(found.len(), 2);
    let vrms = |record: &serde_json::Value| number(&record["channels"][0]["reading"], "out_vrms");
    assert!((vrms(&found[1]) / vrms(&found[0]) - 1.0).abs() < 0.1, "{} {}", vrms(&found[0]), vrms(&found[1]));
    assert_eq!((served.ask("source", "OUTP1?"), served.ask("supply", "OUTP?")), ("0".into(), "0".into()));
}
