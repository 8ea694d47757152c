//! Heat over time, and a check of a returned amplifier.

use super::{found, number, within};

/// V²/R at the level set by the gain; the heatsink of `honest.toml` begins at 25 °C and can only rise.
#[test]
fn continuous_heat_holds_its_powers() {
    let sets = ["eighth_s=4", "third_s=3", "rated_s=3", "every_s=1"];
    let ran = found("honest", &[], "continuous_heat", &sets);
    for (share, at) in [(0.125, "1/8"), (1.0 / 3.0, "1/3"), (1.0, "at the rated power")] {
        let row = ran.at("output power", at);
        assert!((number(row, "value") / (100.0 * share) - 1.0).abs() < 0.01, "{row:?}");
    }
    let c: Vec<f64> = ran.all("heatsink").into_iter().map(|row| number(row, "value")).collect();
    assert_eq!(c.len(), 4);
    assert!(c[0] >= 24.9 && c.windows(2).all(|pair| pair[1] >= pair[0]) && c[3] < 30.0, "{c:?}");
}

/// What the bench file would end with a trip is refused before anything is switched on: 100 W for 300 s, `power_s_max` 60 s.
#[test]
fn heat_that_the_bench_does_not_allow_is_refused_first() {
    let ran = super::ran("honest", &[], "continuous_heat", &["rated_s=300"]);
    assert_eq!(ran.code, Some(1));
    assert!(ran.said.contains("power_s_max = 60"), "{}", ran.said);
    assert!(std::fs::read_to_string(ran.folder.join("steps.csv")).unwrap().lines().count() == 1);
}

/// An amplifier as described passes; one that can't reach its claim, one whose limiter holds it down and one that hisses
/// do not, each for its own reason. Exit codes: README.md.
#[test]
fn an_intake_check_tells_right_from_wrong() {
    for (amplifier, code, wrong) in [
        ("honest", 0, None),
        ("short", 10, Some("THD+N")),
        ("limiting", 10, Some("gain lost")),
        ("noisy", 10, Some("A-weighted noise")),
        ("line", 0, None),
    ] {
        let ran = found(amplifier, &[], "intake_check", &["idle_min_a=0.01"]);
        assert_eq!(ran.code, Some(code), "{amplifier}: {}", ran.said);
        let short: Vec<&str> =
            ran.rows.iter().filter(|row| row["verdict"] == "short").map(|row| row["name"].as_str()).collect();
        match wrong {
            None => assert!(short.is_empty(), "{amplifier}: {short:?}"),
            Some(wrong) => assert!(short.contains(&wrong), "{amplifier}: {short:?}"),
        }
        if amplifier == "honest" {
            // The two channels differ by 0.04 dB (`honest.toml`).
            within(ran.at("balance of the channels", ""), 0.04);
        }
    }
}

/// `starved.toml` needs more than the source's 2 V: nothing is asked of the bench that it would end with a trip, and the check
/// says so.
#[test]
fn a_source_that_gives_too_little_is_no_trip() {
    for script in ["intake_check", "level_sweep", "efficiency_and_idle", "continuous_heat"] {
        let sets: &[&str] = if script == "continuous_heat" { &["eighth_s=1", "rated_s=1"] } else { &[] };
        let ran = found("starved", &[], script, sets);
        assert!(ran.said.contains("V from the source, which gives 2.0 V at most"), "{script}: {}", ran.said);
    }
}
