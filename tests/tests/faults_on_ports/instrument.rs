//! Faults 13 to 26: the instruments. Faults 22 and 23 (protection that restores an output, a watchdog) are tried on an
//! open bench, in `safe_state.rs`.

use crate::{ask, fault, run};

const THIRD: &str = "message = \"MEAS:CURR?\"\nnth = 3\ntimes = 1";
const SECOND_LEVEL: &str = "message = \"SOUR1:VOLT \"\nnth = 3\ntimes = 1";

#[test]
fn fault_13_an_instrument_that_restarts_is_noticed_when_it_is_asked() {
    let ended = run(&fault("source", " = \"reboot\"", SECOND_LEVEL));
    ended.refused(&[&ended.place("source")]);
    let ended = run(&fault("supply", " = \"reboot\"", THIRD));
    ended.refused(&[&ended.place("supply")]);
}

#[test]
fn fault_14_a_setting_that_is_not_taken_is_read_back() {
    for (port, message) in [("load", "SOUR1:RES "), ("source", "SOUR1:VOLT "), ("supply", "VOLT ")] {
        let ended =
            run(&fault(port, " = \"setter_ignored\"", &format!("message = \"{message}\"\nfor_s = 60.0")));
        ended.refused(&[&ended.place(port), "reads back"]);
    }
}

#[test]
fn fault_15_and_16_entries_of_the_error_queue_are_told() {
    for number in [-350, -410, -420, -430] {
        let ended = run(&fault("source", &format!(".error_queue.number = {number}"), "nth = 8\ntimes = 1"));
        ended.refused(&[&ended.place("source"), &number.to_string()]);
    }
}

#[test]
fn fault_17_a_block_of_another_length_than_it_says_is_no_record() {
    for what in [".short_block.bytes = 4", ".long_block.bytes = 4", ".lying_header.by_bytes = -8"] {
        let ended = run(&fault("digitizer", what, "nth = 2\ntimes = 1"));
        ended.refused(&[&ended.place("digitizer")]);
        // Two channels of one step.
        assert!(ended.steps().len() <= 2, "{what}: {}", ended.said);
    }
}

#[test]
fn fault_18_not_a_number_and_infinity_are_no_reading() {
    for what in
        [" = \"nan\"", " = \"sentinel\"", ".instead.answer = \"-9.9E37\"", ".instead.answer = \"INF\""]
    {
        let ended = run(&fault("supply", what, THIRD));
        ended.refused(&[&ended.place("supply"), "not a number"]);
    }
}

#[test]
fn fault_19_commas_units_and_blanks_are_no_reading() {
    for what in [" = \"decimal_comma\"", ".unit_suffix.unit = \"A\"", " = \"blank\""] {
        let ended = run(&fault("supply", what, THIRD));
        ended.refused(&[&ended.place("supply"), "decimal number"]);
    }
}

#[test]
fn fault_20_an_operation_that_never_completes_is_given_up() {
    let ended = run(&fault("load", ".late.by_ms = 3000.0", "message = \"*OPC?\"\nnth = 2\ntimes = 1"));
    ended.refused(&[&ended.place("load"), "deadline"]);
    let ended = run(&fault("load", ".instead.answer = \"0\"", "message = \"*OPC?\"\nnth = 2\ntimes = 1"));
    ended.refused(&[&ended.place("load"), "where 1 was expected"]);
}

#[test]
fn fault_21_an_off_that_is_not_done_is_an_alarm_even_when_it_is_read_back() {
    // The first OFF of all is that of the start.
    let ended = run(&fault("supply", " = \"off_lies\"", "after_queries = 20\nfor_s = 120.0"));
    // The supply's own watchdog, which nobody feeds any more, may end it before the alarm's deadline: then it was
    // measured dead after all.
    if ended.code != 1 {
        ended.alarms(&["still delivers", "cut its mains"]);
    }
    let current_a: f64 = ask(&ended.served.port("supply"), "MEAS:CURR?").unwrap().parse().unwrap();
    assert!(current_a < 0.1, "its own watchdog has ended it, since nobody fed it: {current_a} A");
    let ended = run(&fault("source", " = \"off_ignored\"", "after_queries = 20\nfor_s = 120.0"));
    ended.alarms(&[&ended.place("source"), "reads back on"]);
    assert_eq!(ask(&ended.served.port("supply"), "OUTP?").as_deref(), Some("0"));
}

#[test]
fn fault_24_what_a_hand_does_at_the_instrument_makes_no_wrong_value() {
    let ended = run(&fault(
        "source",
        ".front_panel.does = \"SOUR1:VOLT 0.3\"",
        "message = \"SOUR1:VOLT?\"\nnth = 4\ntimes = 1",
    ));
    ended.refused(&[&ended.place("source"), "reads back"]);
    // Off behind the daemon's back: no signal, so no value.
    let ended = run(&fault(
        "source",
        ".front_panel.does = \"OUTP1 OFF;OUTP2 OFF\"",
        "message = \"SOUR1:VOLT?\"\nnth = 4\ntimes = 1",
    ));
    assert!(matches!(ended.code, 0 | 1), "{}", ended.said);
    let dead = ended.steps().iter().filter(|row| row["fundamental_vrms"].is_empty()).count();
    assert!(dead >= 2 || ended.code == 1, "{}", ended.said);
    ended.is_off();
    // Another supply voltage: what is recorded is what is measured, not what was set.
    let ended = run(&fault("supply", ".front_panel.does = \"VOLT 12.0\"", THIRD));
    let last: f64 = crate::bench::number(ended.steps().last().unwrap(), "supply_v");
    assert!((last - 12.0).abs() < 0.1 || ended.code == 1, "{last} V: {}", ended.said);
    ended.is_off();
}

#[test]
fn fault_25_a_frozen_current_cannot_confirm_off() {
    let ended = run(&fault("supply", " = \"frozen\"", "message = \"MEAS:CURR?\"\nnth = 3\nfor_s = 120.0"));
    ended.alarms(&["still delivers"]);
    assert_eq!(ask(&ended.served.port("supply"), "OUTP?").as_deref(), Some("0"));
}
