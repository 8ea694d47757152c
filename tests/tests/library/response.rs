//! Gain over frequency and over level, crosstalk, output resistance.

use super::{found, nearly, number, within};

/// Gain of a stage behind its output's resistance: voltage divider (textbook). 30 dB, 0 and −0.04 dB of trim, 0.04 ohm:
/// `honest.toml`; the model has no slope over frequency, so that every response is 0 dB.
#[test]
fn frequency_response_is_flat_at_the_gain_of_the_amplifier() {
    let ran = found("honest", &[], "frequency_response", &["sweep_hz=20,50,1000,20000"]);
    let divided_db = 20.0 * (4.0f64 / 4.04).log10();
    for (row, trim_db) in ran.all("gain").into_iter().zip([0.0, -0.04]) {
        within(row, 30.0 + trim_db + divided_db);
    }
    let response = ran.all("response");
    assert_eq!(response.len(), 8, "four frequencies, two channels");
    for row in response {
        nearly(row, 0.0);
        assert!(number(row, "expanded_u") < 0.001, "the gains cancel: {row:?}");
    }
}

/// 12 dB, 0 and 0.03 dB of trim, 47 ohm into 10 kilohm: `line.toml`.
#[test]
fn a_line_stage_is_swept_in_volts() {
    let ran = found("line", &[], "level_sweep", &["step_db=20"]);
    let divided_db = 20.0 * (10_000.0f64 / 10_047.0).log10();
    for (row, trim_db) in ran.all("gain").into_iter().zip([0.0, 0.03]) {
        within(row, 12.0 + trim_db + divided_db);
    }
    assert!(number(ran.all("least THD+N")[0], "value") < 0.1, "a clean stage");
}

/// `soft.toml` rounds off long before its rails: the gain falls with level, and the sweep ends at its limit.
#[test]
fn a_soft_knee_shows_in_the_level_sweep() {
    let ran = found("soft", &[], "level_sweep", &["step_db=20"]);
    for row in ran.all("largest change of gain") {
        assert!((-0.3..-0.05).contains(&number(row, "value")), "{row:?}");
    }
    assert!(ran.said.contains("no louder"), "{}", ran.said);
}

/// 0.04 ohm: `honest.toml`; damping factor 4 ÷ 0.04 (definition).
#[test]
fn output_resistance_comes_from_two_loads() {
    let ran = found("honest", &[], "output_resistance", &[]);
    for row in ran.all("output resistance") {
        nearly(row, 0.04);
        assert!(number(row, "expanded_u") < 0.001);
    }
    for row in ran.all("damping factor") {
        nearly(row, 100.0);
    }
    assert_eq!(ran.all("damping factor").len(), 2);
}

/// No model of an amplifier here leaks from one channel into another: what can be told is a bound, from the noise.
#[test]
fn crosstalk_that_is_not_there_is_a_bound() {
    let ran = found("honest", &[], "crosstalk", &["sweep_hz=1000"]);
    let row = ran.at("crosstalk at most", "from channel 1 at 1000");
    assert_eq!(row["channel"], "2");
    assert!((-90.0..-60.0).contains(&number(row, "value")) && row["expanded_u"].is_empty(), "{row:?}");
}
