//! Windows and the scale of spectra.

use crate::support::*;
use wattproof_signal::spectrum::{Window, power_spectrum};

#[test]
fn windows_have_the_tabulated_coefficients_and_noise_bandwidth() {
    // tests/data/windows.json: Harris 1978, Nuttall 1981; figures recomputed.
    let table = table("windows");
    for (window, name) in [
        (Window::Rectangular, "rectangular"),
        (Window::Hann, "hann"),
        (Window::BlackmanHarris, "blackman-harris 4-term 92 dB"),
        (Window::Nuttall4b, "nuttall4b"),
    ] {
        let row = &table["windows"][name];
        let coefficients: Vec<f64> =
            row["coeffs_alternating_sign"].as_array().unwrap().iter().map(|a| a.as_f64().unwrap()).collect();
        assert_eq!(window.coefficients(), coefficients, "{name}");
        assert_rel(Some(window.enbw_bins()), row["enbw_bins"].as_f64().unwrap(), 1e-9, name);
        // Definition on samples: N·Σw²/(Σw)².
        let w = window.samples(1_000);
        let (sum, squares): (f64, f64) = (w.iter().sum(), w.iter().map(|w| w * w).sum());
        assert_rel(Some(1_000.0 * squares / (sum * sum)), window.enbw_bins(), 1e-9, name);
    }
}

#[test]
fn the_weights_of_the_fit_are_the_square_of_the_window_of_the_residue() {
    // Algebra: cos⁴ = 3/8 + cos 2x/2 + cos 4x/8.
    let squared = Window::HannSquared.samples(501);
    for (h, w) in Window::Hann.samples(501).iter().zip(squared) {
        assert!((h * h - w).abs() < 1e-14);
    }
}

#[test]
fn a_spectrum_adds_up_to_the_mean_square() {
    // Parseval's theorem; a tone under a Hann window keeps all its power within two lines of its own.
    let volts = tones(48_000.0, 4_800, &[(1003.3, 2.0, 0.0)]);
    let spectrum = power_spectrum(&volts, 48_000.0, &Window::Hann.samples(4_800));
    assert_rel(Some(spectrum.between(900.0, 1_100.0)), 2.0, 1e-3, "power of the tone");
    assert_eq!(spectrum.bin_hz, 10.0);
}
