//! A line stage instead of an amplifier: rated in volts into kilohms, nothing measured of its current, resistors for loads.
//!
//! The truth is the virtual stage's own model: half of its supply's rails less the drop, behind 47 ohm (drivers/virtual-bench/
//! amplifiers/line.toml), which the daemon never reads.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::process::Command;

use bench::{Served, finished, number, root, rows, said, wattproof};

/// What the model says each rating comes to: V rms within the band, and why.
fn truths() -> Vec<(f64, String)> {
    let told =
        Command::new(wattproof()).args(["virtual-bench", "--truth", "--amplifier", "line"]).output().unwrap();
    let told: Vec<serde_json::Value> = serde_json::from_slice(&told.stdout).unwrap();
    assert!(told.iter().all(|rating| rating["power_w"].is_null() && rating["rated_w"].is_null()), "{told:?}");
    let each = |rating: &serde_json::Value| {
        (rating["out_vrms"].as_f64().unwrap(), rating["cause"].as_str().unwrap().to_string())
    };
    told.iter().map(each).collect()
}

/// The clean limit in volts within U, its cause, and no watts anywhere: there is no current to tell them by.
#[test]
fn a_line_stage_is_judged_in_volts() {
    let served = Served::start("line");
    let text = std::fs::read_to_string(served.bench()).unwrap();
    assert!(!text.contains("amps\"") && text.contains("fixed_ohm = 10000"), "{text}");
    let run = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
    // Its second rating claims more than the model gives.
    assert_eq!(run.status.code(), Some(10), "{}", said(&run));
    println!("{}", said(&run));
    let ratings = rows(&served.run_folder().join("ratings.csv"));
    let truths = truths();
    assert_eq!((ratings.len(), truths.len()), (3, 3));
    for (rating, (truth_vrms, cause)) in ratings.iter().zip(truths) {
        let (measured_vrms, u_vrms) = (number(rating, "measured_vrms"), number(rating, "expanded_u_vrms"));
        println!("{measured_vrms} ± {u_vrms} V, truth {truth_vrms} V");
        assert!(
            (measured_vrms - truth_vrms).abs() <= u_vrms,
            "{measured_vrms} ± {u_vrms}, truth {truth_vrms}"
        );
        // 0.1 % of the divider and 0.05 % each of supply and load: a U that says nothing would hold anything.
        assert!(u_vrms < 0.003 * truth_vrms, "{u_vrms}");
        assert_eq!(rating["cause"], cause);
        let ratio = measured_vrms / number(rating, "rated_vrms");
        assert!((number(rating, "ratio") - ratio).abs() < 1e-12);
        // 20·lg of a voltage ratio (definition of the decibel, ISO 80000-3).
        assert!((number(rating, "ratio_db") - 20.0 * ratio.log10()).abs() < 1e-9);
        assert_eq!(rating["verdict"], if ratio > 1.0 { "meets" } else { "short" });
        for watts in ["rated_w", "measured_w", "expanded_u_w", "indicated_w", "joules", "seconds_at_power"] {
            assert_eq!(rating[watts], "", "{watts}");
        }
        assert_eq!((rating["load_ohm_measured"].as_str(), rating["efficiency_pct"].as_str()), ("", ""));
    }
    assert!(ratings.iter().any(|rating| rating["verdict"] == "short"));
    assert!(ratings.iter().any(|rating| rating["verdict"] == "meets"));
    for step in rows(&served.run_folder().join("steps.csv")) {
        for unmeasured in ["active_w", "out_irms", "apparent_va", "power_factor", "load_ohm_measured"] {
            assert_eq!(step[unmeasured], "", "{unmeasured}");
        }
        assert_eq!(step["efficiency_pct"], "");
        if step["driven"] == "true" {
            assert_eq!(step["flags"], "no_current_input");
            // 12 dB into 10 kohm behind 47 ohm, 0.03 dB more on the second channel.
            assert!(number(&step, "gain_db") < 12.05, "{}", step["gain_db"]);
        }
    }
    for point in rows(&served.run_folder().join("curve.csv")) {
        assert!(point["active_w"].is_empty() && number(&point, "out_vrms") > 0.0);
    }
    assert_eq!((served.ask("source", "OUTP1?"), served.ask("supply", "OUTP?")), ("0".into(), "0".into()));
    for word in ["recompute", "rebuild"] {
        let again = served.again(word, &served.run_folder()).output().unwrap();
        assert!(again.status.success(), "{word}: {}", said(&again));
    }
    let explained = served.again("explain", &served.run_folder()).arg("1").output().unwrap();
    let told = String::from_utf8_lossy(&explained.stdout);
    assert!(explained.status.success() && told.contains("5 V into 10000 ohm"), "{told}");
    assert!(told.contains("V per unit") && !told.contains(" W"), "{told}");
}

/// Another resistor than the rated one, within tap_tolerance_pct: the voltage is that at the rated load, and U holds what the
/// output's own resistance, 47 ohm in the model, makes of the difference.
#[test]
fn u_holds_what_another_resistor_makes_of_it() {
    let served = Served::start_with("line", &["--fixed-load", "10400"]);
    let script = "let rating = nameplate().ratings[0];
        load(#{ ohm: rating.load_ohm }); supply(#{ volts_v: rating.supply_v, on: true });
        source(#{ hz: rating.hz, driven: rating.driven }); settle();
        let judged = record(rating, find_ceiling(rating));
        if judged.volts.measured_vrms < 5.0 { throw \"too low\" }
        source(#{ on: false }); supply(#{ on: false });";
    let run = served.run(&served.script(script)).output().unwrap();
    assert!(finished(&run), "{}", said(&run));
    let rating = &rows(&served.run_folder().join("ratings.csv"))[0];
    let (measured_vrms, u_vrms) = (number(rating, "measured_vrms"), number(rating, "expanded_u_vrms"));
    let truth_vrms = truths()[0].0;
    assert!((measured_vrms - truth_vrms).abs() <= u_vrms, "{measured_vrms} ± {u_vrms}, truth {truth_vrms}");
    // ½·ln(1.04) as a half-width.
    assert!((0.018..0.021).contains(&(u_vrms / truth_vrms)), "{u_vrms}");
    assert_eq!(number(rating, "load_ohm_set"), 10400.0);
}

/// The check before a run finds what it can without a current, and says what it can't.
#[test]
fn the_bench_is_checked_without_a_current() {
    let served = Served::start("line");
    let mut command = Command::new(wattproof());
    command.args(["selfcheck", "--json", "--bench"]).arg(served.bench()).arg("--nameplate");
    command.arg(served.nameplate()).arg("--out").arg(served.folder.path().join("results"));
    let checked = command.env("WATTPROOF_STATE", served.state()).output().unwrap();
    assert!(checked.status.success(), "{}", said(&checked));
    let found: serde_json::Value = serde_json::from_slice(&checked.stdout).unwrap();
    let checks = found["checks"].as_array().unwrap();
    let of = |name: &str| checks.iter().filter(|check| check["check"] == name).collect::<Vec<_>>();
    for gain in of("gain") {
        assert_eq!(gain["result"], "ok", "{gain}");
        assert!((gain["value"].as_f64().unwrap() - 12.0).abs() < 0.1, "{gain}");
    }
    assert_eq!(of("gain").len(), 2);
    assert_eq!(of("voltage channel").len(), 2);
    assert_eq!(of("load and polarity")[0]["result"], "not_told");
    assert!(of("current polarity").is_empty() && of("current channel").is_empty());
}

/// Power limits stay: without a current they count what the load takes at the voltage measured. 5 V into 10 kohm are 2.5 mW.
#[test]
fn power_and_voltage_limits_hold_without_a_current() {
    for (from, to, limit) in [
        ("out_w_max = 1.0", "out_w_max = 0.001", "out_w_max"),
        ("out_vrms_max = 12.0", "out_vrms_max = 4.0", "out_vrms_max"),
    ] {
        let served = Served::start("line");
        let text = std::fs::read_to_string(served.bench()).unwrap();
        let text = text.replace("power_w_from = 0.5", "power_w_from = 0.0005");
        assert!(text.contains(from), "{text}");
        std::fs::write(served.bench(), text.replace(from, to)).unwrap();
        let script = served.script(
            "load(#{ ohm: 10000.0 }); supply(#{ volts_v: 14.4, on: true });
            source(#{ hz: 1000.0, level_vrms: 0.02, on: true }); settle(); capture();
            source(#{ level_vrms: 1.25 }); settle(); capture();",
        );
        let run = served.run(&script).output().unwrap();
        assert!(!run.status.success() && said(&run).contains(limit), "{limit}: {}", said(&run));
        assert_eq!((served.ask("source", "OUTP1?"), served.ask("supply", "OUTP?")), ("0".into(), "0".into()));
    }
}

/// What a bench measures and what a nameplate rates must go together; nothing is switched on otherwise.
#[test]
fn watts_without_a_current_and_volts_with_one_are_refused() {
    for (stage, other, wanted) in
        [("line", "honest", "no current input"), ("honest", "line", "too small for a current input")]
    {
        let served = Served::start(stage);
        let other = Command::new(wattproof())
            .args(["virtual-bench", "--truth", "--amplifier", other, "--write-nameplate"])
            .arg(served.nameplate())
            .output()
            .unwrap();
        assert!(other.status.success(), "{}", said(&other));
        let run = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
        assert!(!run.status.success() && said(&run).contains(wanted), "{}", said(&run));
        assert_eq!(served.ask("supply", "OUTP?"), "0");
    }
}

/// A current input of one channel and none of the other is neither: told with its place and both ways out.
#[test]
fn a_current_of_some_channels_alone_is_refused() {
    let served = Served::start("honest");
    let text = std::fs::read_to_string(served.bench()).unwrap();
    let (before, last) = text.rsplit_once("[[digitizer.channel]]").unwrap();
    assert!(last.contains("measures = \"amps\""), "{last}");
    let after = last.split_once("\n[").map_or(String::new(), |(_, after)| format!("[{after}"));
    std::fs::write(served.bench(), format!("{before}{after}")).unwrap();
    let checked = Command::new(wattproof()).args(["check", "--bench"]).arg(served.bench()).output().unwrap();
    let told = said(&checked);
    assert!(!checked.status.success() && told.contains("amplifier_channel = 2"), "{told}");
    assert!(told.contains("bench.toml:") && told.contains("line stage"), "{told}");
}
