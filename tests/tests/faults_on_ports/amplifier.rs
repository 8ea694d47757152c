//! Faults 27 to 31: the amplifier and what hangs on it.

use crate::{fault, run};

const AT_THE_THIRD_LEVEL: &str = "message = \"SOUR1:VOLT \"\nnth = 4\nfor_s = 120.0";

#[test]
fn fault_27_a_short_makes_no_reading() {
    let ended = run(&fault("source", ".short = { output = 1, ohm = 0.1 }", AT_THE_THIRD_LEVEL));
    let shorted: Vec<_> = ended.steps().into_iter().skip(6).filter(|row| row["channel"] == "1").collect();
    assert!(ended.code == 1 || !shorted.is_empty());
    for row in shorted {
        assert!(row["active_w"].is_empty(), "{row:?}");
    }
    ended.is_off();
}

#[test]
fn fault_28_a_heatsink_that_runs_away_trips_before_its_limit_is_far_behind() {
    let ended = run(&fault(
        "thermometer",
        ".thermal_runaway.c_per_s = 60.0",
        "message = \"MEAS:TEMP?\"\nnth = 2\nfor_s = 60.0",
    ));
    // So fast a rise is told as a broken sensor, before the limit is reached: both trip.
    ended.refused(&["the heatsink sensor went from"]);
}

#[test]
fn fault_29_an_oscillation_is_no_reading_and_is_measured_after_off() {
    let ended = run(&fault("source", ".oscillates = { out_vrms = 8.0, hz = 40000.0 }", AT_THE_THIRD_LEVEL));
    for row in ended.steps().iter().skip(6) {
        assert!(row["active_w"].is_empty(), "{row:?}");
    }
    // Either it has ended with the supply or it is told; nobody is sent to an output that is live without a word.
    assert!(matches!(ended.code, 0 | 1) || ended.said.contains("still carries"), "{}", ended.said);
    ended.is_off();
}

#[test]
fn fault_30_a_charge_that_keeps_an_output_alive_after_off_is_an_alarm() {
    let oscillates = fault("source", ".oscillates = { out_vrms = 8.0, hz = 40000.0 }", AT_THE_THIRD_LEVEL);
    let charged = fault("supply", ".stored_charge.tau_s = 60.0", "for_s = 300.0");
    let ended = run(&[oscillates, charged].concat());
    ended.alarms(&["still carries", "do not touch it"]);
    ended.is_off();
}

#[test]
fn fault_31_a_sensor_that_has_come_off_is_no_temperature() {
    for reads in ["9.91E37", "OPEN"] {
        let ended = run(&fault(
            "thermometer",
            &format!(".sensor_detached.reads = \"{reads}\""),
            "message = \"MEAS:TEMP?\"\nnth = 2\nfor_s = 60.0",
        ));
        ended.refused(&[&ended.place("thermometer"), reads]);
    }
}
