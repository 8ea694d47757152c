//! Setting up a system: targets, headroom, and bridged outputs.

use wattproof_virtual_bench::{TruthQuery, catalogue, truth};

use super::{found, number, within};

/// The model's own ceiling; √(P·R) of the claim (definition of power); 1 dB below.
#[test]
fn gain_targets_come_from_the_clean_ceiling_of_every_rating() {
    let ran = found("honest", &[], "gain_target", &[]);
    let spec = catalogue::amplifier("honest").unwrap();
    for (index, rating) in spec.nameplate.ratings.iter().enumerate() {
        let model = truth(&spec, &TruthQuery::of(&spec, rating)).unwrap();
        let ceiling = ran.all("clean ceiling")[index];
        // The ceiling is told as its fundamental: at 1 % THD+N 0.005 % less than all of it (√(1 − 0.01²)).
        within(ceiling, model.out_vrms);
        let target = ran.all("target output")[index];
        let rated_vrms = (rating.watts.unwrap() * rating.load_ohm).sqrt();
        assert!((number(ran.all("rated output")[index], "value") / rated_vrms - 1.0).abs() < 1e-12);
        let lower = number(ceiling, "value") * 10f64.powf(-0.05);
        assert!((number(target, "value") / lower.min(rated_vrms) - 1.0).abs() < 1e-9, "{target:?}");
    }
    assert_eq!(ran.all("target output").len(), 3);
}

/// Headroom in dB is 20·lg of both levels (definition); this stage's input at its ceiling is the model's.
#[test]
fn headroom_of_the_stage_before_is_told_against_this_ones_ceiling() {
    let spec = catalogue::amplifier("honest").unwrap();
    let model = truth(&spec, &TruthQuery::default()).unwrap();
    for before_vrms in [2.0, 0.3] {
        let sets = format!("before_vrms={before_vrms}");
        let ran = found("honest", &[], "chain_headroom", &[&sets]);
        within(ran.at("input at the ceiling", ""), model.source_vrms);
        within(ran.at("headroom of the stage before", ""), 20.0 * (before_vrms / model.source_vrms).log10());
        let first = if before_vrms > 1.0 { "this stage stops first" } else { "the stage before stops first" };
        assert!(ran.said.contains(first), "{}", ran.said);
    }
}

/// Bursts of 0.5 s and a ceiling of every rating; a limiter's headroom is what its attack lets through (`limiting.toml`: 20 ms).
/// Its table is judged in `bursts.rs`; here that the shipped script comes to its end.
#[test]
fn the_burst_script_comes_to_its_end() {
    let ran = found("honest", &[], "burst_and_sustained", &[]);
    let rows = super::bench::rows(&ran.folder.join("bursts.csv"));
    assert_eq!(rows.len(), 6, "three ratings, two channels");
}

/// A bridge has twice the gain of a channel: 6.02 dB more (both sides swing against each other). 30 dB, −0.04 dB of trim on
/// the second channel, 0.03 and −0.02 dB on the others, 0.03 ohm each, 4 ohm between them: `quartet.toml`.
#[test]
fn bridged_outputs_are_served_as_one_channel_each() {
    let ran = found("quartet", &["--bridged"], "frequency_response", &["sweep_hz=100,10000"]);
    let ratio = |db: f64| 10f64.powf(db / 20.0);
    let divided = 4.0 / 4.06;
    for (row, trims) in ran.all("gain").into_iter().zip([[0.0, -0.04], [0.03, -0.02]]) {
        let both: f64 = trims.iter().map(|trim_db| ratio(30.0 + trim_db)).sum();
        within(row, 20.0 * (both * divided).log10());
    }
    assert_eq!(ran.all("gain").len(), 2);
    let ran = found("quartet", &["--bridged"], "output_resistance", &["repeats=1"]);
    for row in ran.all("output resistance") {
        super::nearly(row, 0.06);
    }
}
