//! Power of a distorted voltage and current.

use crate::support::*;
use wattproof_signal::{Capture, Settings, read};

#[test]
fn the_single_phase_example_of_ieee_1459() {
    // tests/data/ieee1459_single_phase.json: formulae of IEEE Std 1459-2010 (from memory), own waveform.
    let table = table("ieee1459_single_phase");
    let list = |name: &str| -> Vec<f64> {
        table[name].as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
    };
    let (orders, v, i, theta, phase) =
        (list("harmonics"), list("V_rms"), list("I_rms"), list("theta_deg"), list("V_phase_rad"));
    let (fs, hz, root2) = (96_000.0, 1003.7, 2_f64.sqrt());
    let volts: Vec<_> = (0..4).map(|k| (orders[k] * hz, root2 * v[k], phase[k])).collect();
    let amps: Vec<_> =
        (0..4).map(|k| (orders[k] * hz, root2 * i[k], phase[k] - theta[k].to_radians())).collect();
    let capture = Capture {
        fs_hz: fs,
        volts: tones(fs, 9_600, &volts),
        amps: Some(tones(fs, 9_600, &amps)),
        ..Capture::default()
    };
    let reading = read(&capture, &Settings::default());
    let number = |name: &str| table[name].as_f64().unwrap();
    assert_rel(reading.active_w, number("P"), 1e-9, "P");
    assert_rel(reading.apparent_va, number("S"), 1e-9, "S");
    assert_rel(reading.power_factor, number("PF"), 1e-9, "PF");
    assert_rel(reading.out_vrms, number("Vrms"), 1e-9, "Vrms");
    assert_rel(reading.out_irms, number("Irms"), 1e-9, "Irms");
    assert_rel(reading.thd_pct, 100.0 * number("THD_V"), 1e-7, "THD of the voltage");
    assert_rel(reading.phase_deg, 30.0, 1e-7, "phase");
    assert_rel(reading.fundamental_active_w, number("P1"), 1e-9, "P1");
    assert_rel(reading.fundamental_apparent_va, number("S1"), 1e-9, "S1");
    assert_rel(reading.fundamental_reactive_var, number("Q1"), 1e-9, "Q1");
    assert_rel(reading.displacement_power_factor, number("PF1"), 1e-9, "PF1");
    assert_rel(reading.harmonic_active_w, number("PH"), 1e-7, "PH");
    assert_rel(reading.nonfundamental_va, number("SN"), 1e-7, "SN");
}

#[test]
fn an_open_load_draws_no_power_and_tells_no_impedance() {
    // Definition: no current, no impedance; power is a true 0.
    let capture = Capture {
        fs_hz: 96_000.0,
        volts: tones(96_000.0, 9_600, &[(997.0, 10.0, 0.0)]),
        amps: Some(vec![0.0; 9_600]),
        ..Capture::default()
    };
    let reading = read(&capture, &Settings::default());
    assert_eq!(reading.active_w, Some(0.0));
    assert_eq!((reading.load_ohm_measured, reading.phase_deg, reading.power_factor), (None, None, None));
}

#[test]
fn power_is_the_mean_of_the_product_even_of_a_level_that_changes() {
    // Definition: mean of v·i over whole cycles, summed directly over a coherent record.
    let mut volts = tones(96_000.0, 9_600, &[(1000.0, 10.0, 0.1)]);
    for v in &mut volts[4_800..] {
        *v *= 0.7;
    }
    let amps: Vec<f64> = volts.iter().map(|v| v / 4.0).collect();
    let direct: f64 = volts.iter().zip(&amps).map(|(v, i)| v * i).sum::<f64>() / 9_600.0;
    let reading = read(
        &Capture { fs_hz: 96_000.0, volts, amps: Some(amps), ..Capture::default() },
        &Settings::default(),
    );
    // A step moves the fitted frequency; one cycle more or less of a hundred is a third of a percent.
    assert_rel(reading.active_w, direct, 4e-3, "power");
}
