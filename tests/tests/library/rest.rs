//! Outputs at rest: noise, hum, and what the supply gives meanwhile.

use super::{found, nearly, number};

/// A-weighting as a ratio of powers, 0 dB at 1 kHz: the poles of IEC 61672-1 (from memory), written down here anew.
fn a_weighting(hz: f64) -> f64 {
    let gain = |hz: f64| {
        let s = hz * hz;
        12_194.0f64.powi(2) * s * s
            / ((s + 20.6f64.powi(2))
                * ((s + 107.7f64.powi(2)) * (s + 737.9f64.powi(2))).sqrt()
                * (s + 12_194.0f64.powi(2)))
    };
    (gain(hz) / gain(1000.0)).powi(2)
}

/// White noise within 20 kHz, through the weighting, summed in steps of 1 Hz.
fn weighted_white(vrms: f64) -> f64 {
    let sum: f64 = (20..20_000).map(|hz| a_weighting(f64::from(hz) + 0.5)).sum();
    vrms * (sum / 20_000.0).sqrt()
}

/// Noise and hum add as powers (definition of rms). `noisy.toml`: 20 mV, hum of 6, 3 and 2 mV; `line.toml`: 20 µV and 10 µV,
/// below the bench's own 70 µV.
#[test]
fn noise_is_told_without_the_benchs_own() {
    for (amplifier, noise_vrms, hum, sets) in [
        ("noisy", 0.02, vec![(50.0, 0.006), (100.0, 0.003), (150.0, 0.002)], ["repeats=2", "warm_s=0.5"]),
        ("line", 0.000_02, vec![(50.0, 0.000_01)], ["repeats=4", "warm_s=0.5"]),
    ] {
        let ran = found(amplifier, &[], "noise_and_hum", &sets);
        let total = |weight: &dyn Fn(f64) -> f64, noise: f64| {
            let hum_ms: f64 = hum.iter().map(|(hz, v): &(f64, f64)| v * v * weight(*hz)).sum();
            (noise * noise + hum_ms).sqrt()
        };
        let flat = total(&|_| 1.0, noise_vrms * (19_980.0f64 / 20_000.0).sqrt());
        let weighted = total(&a_weighting, weighted_white(noise_vrms));
        for row in ran.all("noise and hum") {
            nearly(row, flat);
        }
        for row in ran.all("A-weighted noise") {
            nearly(row, weighted);
        }
        let hum_vrms = hum.iter().map(|(_, v)| v * v).sum::<f64>().sqrt();
        for row in ran.all("hum") {
            assert!((number(row, "value") / hum_vrms - 1.0).abs() < 0.15, "{hum_vrms}: {row:?}");
        }
        // No dc in either description.
        for row in ran.all("dc offset") {
            nearly(row, 0.0);
        }
        assert_eq!(ran.all("noise and hum").len(), 2);
        if amplifier == "noisy" {
            for row in ran.all("signal-to-noise").into_iter().filter(|row| row["at"].contains("re 1 W")) {
                // 1 W into 4 ohm are 2 V (V²/R).
                nearly(row, 20.0 * (2.0 / weighted).log10());
            }
        }
    }
}

/// `honest.toml`: 1.2 A at rest, a converter of 0.86, rails of 2.25 V per volt behind 5 mohm. A class B stage takes 2·V·I/π from
/// a pair of rails, I the peak current (textbook).
#[test]
fn efficiency_is_that_of_class_b_behind_its_converter() {
    let ran = found("honest", &[], "efficiency_and_idle", &["warm_s=0.5"]);
    assert!((number(ran.at("idle current", "source off"), "value") / 1.2 - 1.0).abs() < 0.01);
    for (share, at) in [(0.125, "12.5 %"), (1.0, "100.0 %")] {
        let row = ran.at("supply power", at);
        let supply_w = number(row, "value");
        let rail_v = 2.25 * (14.4 - 0.005 * supply_w / 14.4);
        let each = [0.0, -0.04].map(|trim_db: f64| {
            let out_w = 100.0 * share * 10f64.powf(trim_db / 10.0);
            2.0 * rail_v * (2.0 * out_w / 4.0).sqrt() / std::f64::consts::PI
        });
        let truth_w = 14.4 * 1.2 + each.iter().sum::<f64>() / 0.86;
        assert!((supply_w / truth_w - 1.0).abs() < 0.02, "{truth_w}: {row:?}");
    }
}
