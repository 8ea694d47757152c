//! The divider on one side of a bridge, wrong and calibrated, on real pseudo-terminals.
//!
//! Source of the truth: the amplifier model itself (`truth_at`), which stands for the reference meter too: each side of a
//! bridge sees half of its load, by symmetry.

#![allow(clippy::unwrap_used, reason = "a helper that fails must stop its test")]

mod bench;

use std::collections::HashMap;
use std::process::{Command, Output, Stdio};

use bench::{FIRST_RATING, Served, finished, number, rows, said, wattproof};
use wattproof_virtual_bench::{RatingChannels, TruthQuery, catalogue, truth, truth_at};

const AMPLIFIER: &str = "quartet";
/// What a divider that gives 3 % too little makes of its gain of 20.
const TRUE_GAIN: f64 = 20.0 / 0.97;
/// The divider on the negative side of the first bridge: the amplifier's second output.
const WRONG_ADC: i64 = 3;

/// The first bridge, judged; its row of the table. The run is removed.
fn judged(served: &Served) -> HashMap<String, String> {
    let script = served.script(FIRST_RATING);
    let done = served.run(&script).output().unwrap();
    assert!(finished(&done), "{}", said(&done));
    let folder = served.run_folder();
    let steps = rows(&folder.join("steps.csv"));
    let loudest = steps.iter().rfind(|row| row["channel"] == "1" && row["driven"] == "true");
    let (positive, negative) =
        (number(loudest.unwrap(), "positive_vrms"), number(loudest.unwrap(), "negative_vrms"));
    let judged = rows(&folder.join("ratings.csv")).into_iter().find(|row| row["driven"] == "bridged");
    let mut row = judged.unwrap();
    row.insert("sides".into(), (negative / positive).to_string());
    std::fs::remove_dir_all(folder).unwrap();
    row
}

fn truth_w() -> f64 {
    let spec = catalogue::amplifier(AMPLIFIER).unwrap();
    let rating = spec.nameplate.ratings.iter().find(|rating| rating.channels == RatingChannels::Bridged);
    truth(&spec, &TruthQuery::of(&spec, rating.unwrap())).unwrap().power_w
}

fn calibrate(served: &Served, further: &[&str]) -> Output {
    let mut text = "level_vrms,reading\n".to_string();
    for level_vrms in [0.02, 0.045, 0.07, 0.095, 0.12, 0.145] {
        let query = TruthQuery { hz: 400.0, load_ohm: 2.0, channels_driven: 4, ..TruthQuery::default() };
        let at = truth_at(&catalogue::amplifier(AMPLIFIER).unwrap(), &query, level_vrms).unwrap();
        text.push_str(&format!("{level_vrms},{:.4}\n", at.fundamental_vpk[1] / 2f64.sqrt()));
    }
    let sheet = served.folder.path().join("points.csv");
    std::fs::write(&sheet, text).unwrap();
    let mut command = Command::new(wattproof());
    command.arg("calibrate").arg("--bench").arg(served.bench()).arg("--nameplate").arg(served.nameplate());
    command.args(["--meter", "invented meter, number 7", "--accuracy", "0.02%+0.0005"]);
    command.arg("--points").arg(sheet).args(further).env("WATTPROOF_STATE", served.state());
    command.stdin(Stdio::null()).output().unwrap()
}

fn gains(served: &Served) -> HashMap<i64, f64> {
    let table: toml::Table = std::fs::read_to_string(served.bench()).unwrap().parse().unwrap();
    let inputs = table["digitizer"]["channel"].as_array().unwrap();
    let of = |input: &toml::Value| (input["adc"].as_integer().unwrap(), input["gain"].as_float().unwrap());
    inputs.iter().map(of).collect()
}

#[test]
fn one_side_of_a_bridge_is_calibrated_alone() {
    let fault = format!(
        "[[fault]]\nport = \"digitizer\"\nwhat.wrong_gain = {{ input = {WRONG_ADC}, by = 0.97 }}\nfor_s = 900.0\n"
    );
    let served = Served::start_with_faults_and(AMPLIFIER, &["--bridged"], &fault);
    let off = |row: &HashMap<String, String>| {
        ((number(row, "measured_w") - truth_w()).abs(), number(row, "expanded_u_w"))
    };
    let before = judged(&served);
    let (off_w, u_w) = off(&before);
    assert!(off_w > u_w, "{off_w} W off is within ± {u_w} W although one divider is wrong");
    // The table shows which side it is: both carry the same but for 1 %.
    assert!((number(&before, "sides") / 0.97 - 1.0).abs() < 0.01, "{before:?}");

    // A sheet is of one input, and a bridge has two voltages.
    let both = calibrate(&served, &["--channel", "1", "--measures", "volts"]);
    assert_eq!(both.status.code(), Some(1), "{}", said(&both));
    assert!(said(&both).contains("--adc"), "{}", said(&both));

    let done = calibrate(&served, &["--adc", &WRONG_ADC.to_string()]);
    assert!(done.status.success(), "{}", said(&done));
    assert!(said(&done).contains("channel 1, negative side of its bridge (adc 3)"), "{}", said(&done));
    for (role, question) in [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")] {
        assert_eq!(served.ask(role, question), "0", "{role} {question}");
    }
    let gains = gains(&served);
    assert!((gains[&WRONG_ADC] / TRUE_GAIN - 1.0).abs() < 0.0015, "{gains:?}");
    assert_eq!((gains[&1], gains[&5], gains[&7]), (20.0, 20.0, 20.0));

    let after = judged(&served);
    let (off_w, u_w) = off(&after);
    assert!(off_w <= u_w, "{off_w} W off is beyond ± {u_w} W although the side was calibrated");
    assert!((number(&after, "sides") - 1.0).abs() < 0.01, "{after:?}");
}
