//! Stated type A uncertainties against the scatter over repeated records: their definition (JCGM 100:2008, 4.2).
//! The scatter of 400 records is known to 1/√(2·400) = 3.5 %; limit of the project: 20 %.

use crate::support::*;
use wattproof_signal::{Capture, Reading, Settings, read};

const FS: f64 = 192_000.0;
const RECORDS: u64 = 400;

fn readings(hz: f64, len: usize, third: f64, sigma: f64) -> Vec<Reading> {
    let volts = tones(FS, len, &[(hz, 10.0, 0.3), (3.0 * hz, 10.0 * third, 0.9)]);
    let amps = tones(FS, len, &[(hz, 2.5, -0.4)]);
    let one = |seed: u64| {
        let mut noise = Noise(seed);
        let volts = volts.iter().map(|v| v + sigma * noise.next()).collect();
        let amps = Some(amps.iter().map(|i| i + 0.3 * sigma * noise.next()).collect());
        read(&Capture { fs_hz: FS, volts, amps, ..Capture::default() }, &Settings::default())
    };
    (1..=RECORDS).map(one).collect()
}

fn check(
    readings: &[Reading],
    what: &str,
    value: fn(&Reading) -> Option<f64>,
    u: fn(&Reading) -> Option<f64>,
) {
    let count = readings.len() as f64;
    let all =
        |pick: fn(&Reading) -> Option<f64>| readings.iter().map(|r| pick(r).unwrap()).collect::<Vec<_>>();
    let (values, stated) = (all(value), all(u));
    let mean = values.iter().sum::<f64>() / count;
    let scatter = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
    assert_rel(Some(stated.iter().sum::<f64>() / count), scatter, 0.2, what);
}

#[test]
fn every_stated_uncertainty_matches_its_scatter() {
    for (hz, len, third) in
        [(1000.3, 9_600, 0.01), (1000.3, 9_600, 0.0), (147.7, 19_200, 0.003), (6021.0, 4_800, 0.01)]
    {
        let readings = readings(hz, len, third, 0.1);
        let at = |what: &str| format!("u of {what} at {hz} Hz, {len} samples, third {third}");
        check(&readings, &at("the frequency"), |r| r.fundamental_hz, |r| r.u.fundamental_hz);
        check(&readings, &at("dc"), |r| r.dc_v, |r| r.u.dc_v);
        check(&readings, &at("THD"), |r| r.thd_pct, |r| r.u.thd_pct);
        check(&readings, &at("the phase"), |r| r.phase_deg, |r| r.u.phase_deg);
        check(&readings, &at("the load"), |r| r.load_ohm_measured, |r| r.u.load_ohm_measured);
        check(&readings, &at("the reactance"), |r| r.load_x_ohm, |r| r.u.load_ohm_measured);
        check(&readings, &at("the current"), |r| r.out_irms, |r| r.u.out_irms);
        check(&readings, &at("the band"), |r| r.band_vrms, |r| r.u.band_vrms);
        check(&readings, &at("the noise"), |r| r.noise_vrms, |r| r.u.noise_vrms);
        check(&readings, &at("the residue"), |r| r.residue_vrms, |r| r.u.residue_vrms);
        check(
            &readings,
            &at("the phase at the start"),
            |r| r.fundamental_phase_deg,
            |r| r.u.fundamental_phase_deg,
        );
        check(&readings, &at("apparent power"), |r| r.apparent_va, |r| r.u.apparent_va);
        check(&readings, &at("the power factor"), |r| r.power_factor, |r| r.u.power_factor);
        check(&readings, &at("P1"), |r| r.fundamental_active_w, |r| r.u.fundamental_active_w);
        check(&readings, &at("S1"), |r| r.fundamental_apparent_va, |r| r.u.fundamental_apparent_va);
        check(&readings, &at("Q1"), |r| r.fundamental_reactive_var, |r| r.u.fundamental_reactive_var);
        check(&readings, &at("cos"), |r| r.displacement_power_factor, |r| r.u.displacement_power_factor);
        if third > 0.005 {
            check(&readings, &at("a harmonic"), |r| r.harmonics_pct.get(1).copied(), |r| r.u.harmonic_pct);
        }
        if readings[0].noise_a_vrms.is_some() {
            check(&readings, &at("A-weighted noise"), |r| r.noise_a_vrms, |r| r.u.noise_a_vrms);
            check(&readings, &at("noise by BS.468"), |r| r.noise_468_vrms, |r| r.u.noise_468_vrms);
        }
    }
}

#[test]
fn the_stated_uncertainty_of_hum_matches_its_scatter() {
    // Hum well over the noise, and near it.
    for (peak, tolerance) in [(0.1, 0.2), (0.02, 0.35)] {
        let (hz, len) = (1013.7, 38_400);
        let volts = tones(FS, len, &[(hz, 10.0, 0.3), (50.0, peak, 1.0), (150.0, 0.7 * peak, 0.2)]);
        let one = |seed: u64| {
            let mut noise = Noise(seed);
            read_volts(FS, volts.iter().map(|v| v + 0.1 * noise.next()).collect())
        };
        let readings: Vec<_> = (1..=RECORDS).map(one).collect();
        let found = readings.iter().map(|r| r.hum_pct.unwrap()).sum::<f64>() / RECORDS as f64;
        assert_rel(Some(found), 10.0 * peak * 1.49_f64.sqrt(), 0.1, "hum");
        let values: Vec<f64> = readings.iter().map(|r| r.hum_pct.unwrap()).collect();
        let scatter = (values.iter().map(|v| (v - found).powi(2)).sum::<f64>() / (RECORDS - 1) as f64).sqrt();
        let stated = readings.iter().map(|r| r.u.hum_pct.unwrap()).sum::<f64>() / RECORDS as f64;
        assert_rel(Some(stated), scatter, tolerance, &format!("u of hum of {peak} V"));
    }
}
