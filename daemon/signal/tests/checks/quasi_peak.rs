//! The quasi-peak meter of ITU-R BS.468-4.

use crate::support::*;
use wattproof_signal::quasi_peak::QuasiPeak;
use wattproof_signal::{Reading, Settings, read};

/// Highest reading of 5 kHz bursts of unit peak, `every_s` apart, over `total_s`, in percent of the steady tone's.
fn bursts(fs_hz: f64, burst_s: f64, every_s: f64, total_s: f64) -> f64 {
    let highest = |burst_s: f64| {
        let mut meter = QuasiPeak::new(fs_hz);
        let at = |n: usize| {
            let t = (n as f64 / fs_hz) % every_s;
            if t < burst_s { (t * 5000.0 * std::f64::consts::TAU).sin() } else { 0.0 }
        };
        (0..(total_s * fs_hz) as usize).fold(0.0_f64, |highest, n| highest.max(meter.step(at(n))))
    };
    let steady = {
        let mut meter = QuasiPeak::new(fs_hz);
        tones(fs_hz, (3.0 * fs_hz) as usize, &[(5000.0, 1.0, 0.0)])
            .iter()
            .map(|v| meter.step(*v))
            .fold(0.0, f64::max)
    };
    assert_rel(Some(steady), 0.5_f64.sqrt(), 0.01, "a steady sine reads its rms");
    100.0 * highest(burst_s) / steady
}

#[test]
fn tone_bursts_read_what_the_recommendation_prescribes() {
    // ITU-R BS.468-4, section 2, readings of single and repeated 5 kHz bursts with their limits, from memory.
    let single = [
        (1.0, 13.5, 21.4),
        (2.0, 22.4, 31.6),
        (5.0, 34.0, 46.0),
        (10.0, 41.0, 55.0),
        (20.0, 44.0, 60.0),
        (50.0, 50.0, 68.0),
        (100.0, 58.0, 78.0),
        (200.0, 68.0, 92.0),
    ];
    let repeated = [(2.0, 43.0, 53.0), (10.0, 72.0, 82.0), (100.0, 94.0, 100.0)];
    for fs_hz in [48_000.0, 192_000.0] {
        for (burst_ms, low, high) in single {
            let found = bursts(fs_hz, burst_ms / 1e3, 1e3, 0.8);
            assert!(found > low && found < high, "{burst_ms} ms at {fs_hz} Hz: {found} %");
        }
        for (per_s, low, high) in repeated {
            let found = bursts(fs_hz, 5e-3, 1.0 / per_s, 3.0);
            assert!(found > low && found < high, "{per_s} per second at {fs_hz} Hz: {found} %");
        }
    }
}

fn metered(fs_hz: f64, volts: Vec<f64>) -> Reading {
    let settings = Settings { quasi_peak: true, ..Settings::default() };
    read(&voltage(fs_hz, volts), &settings)
}

#[test]
fn a_faint_tone_is_metered_through_the_weighting() {
    // ITU-R BS.468-4, table 1: +12.2 dB at 6.3 kHz, −19.8 dB at 100 Hz, 0 dB at 1 kHz (its tolerance: 1 dB at
    // most); a meter is calibrated in the rms of a sine.
    for (hz, table_db) in [(6300.0, 12.2), (100.0, -19.8), (1000.0, 0.0), (12_500.0, 0.0)] {
        let volts = tones(192_000.0, 48_000, &[(1153.0, 1.0, 0.3), (hz, 2e-3, 1.1)]);
        let db = 20.0 * (metered(192_000.0, volts).noise_468_qp_v.unwrap() / 2e-3 * 2_f64.sqrt()).log10();
        assert!((db - table_db).abs() < 0.3, "{hz} Hz reads {db} dB");
    }
}

#[test]
fn noise_reads_above_its_rms_and_only_when_asked() {
    // Common practice, no source: the meter reads steady noise some 4 to 5 dB above its weighted rms, whatever the
    // record's length and rate.
    for (fs_hz, len) in [(48_000.0, 4_800), (48_000.0, 96_000), (192_000.0, 48_000)] {
        let mut noise = Noise(5);
        let volts: Vec<f64> =
            tones(fs_hz, len, &[(1000.3, 1.0, 0.3)]).iter().map(|v| v + 1e-3 * noise.next()).collect();
        assert_eq!(read_volts(fs_hz, volts.clone()).noise_468_qp_v, None);
        let reading = metered(fs_hz, volts);
        let db = 20.0 * (reading.noise_468_qp_v.unwrap() / reading.noise_468_vrms.unwrap()).log10();
        assert!((3.0..6.0).contains(&db), "{len} samples at {fs_hz} Hz: {db} dB over the rms");
    }
    let short = metered(48_000.0, tones(48_000.0, 2_000, &[(1000.3, 1.0, 0.3)]));
    assert_eq!(short.noise_468_qp_v, None, "a record that can't tell weighted noise can't tell this");
}
