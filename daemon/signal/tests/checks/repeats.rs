//! The same capture gives the same reading to the last bit, whichever thread reads it and whatever it read before:
//! stored captures are read again and compared. Project definition.

use crate::support::*;
use wattproof_signal::{Capture, Reading, Settings, read};

fn capture(fs_hz: f64, hz: f64, len: usize) -> Capture {
    let mut noise = Noise(21);
    let volts: Vec<f64> = tones(fs_hz, len, &[(hz, 20.0, 0.1), (2.0 * hz, 0.02, 0.0), (3.0 * hz, 0.03, 0.4)])
        .iter()
        .map(|v| v + 1e-3 * noise.next())
        .collect();
    let amps = volts.iter().map(|v| v / 4.0 + 1e-4 * noise.next()).collect();
    Capture { fs_hz, volts, amps: Some(amps), ..Capture::default() }
}

/// Text with every digit: `Debug` of an f64 reads back to the same bits.
fn bits(reading: &Reading) -> String {
    format!("{reading:?}")
}

#[test]
fn readings_repeat_to_the_last_bit() {
    let settings = [Settings::default(), Settings { quasi_peak: true, ..Settings::default() }];
    let captures: Vec<Capture> = [
        (48_000.0, 40.013, 32_768),
        (48_000.0, 40.5, 32_768),
        (192_000.0, 1000.3, 32_768),
        (96_000.0, 997.0, 30_000),
        (48_000.0, 40.013, 9_600),
    ]
    .map(|(fs, hz, len)| capture(fs, hz, len))
    .into();
    // Each alone on a thread of its own.
    let alone = |capture: &Capture, settings: &Settings| {
        std::thread::scope(|scope| scope.spawn(|| bits(&read(capture, settings))).join().unwrap())
    };
    for (n, capture) in captures.iter().enumerate() {
        for settings in &settings {
            let first = alone(capture, settings);
            for other in captures.iter().cycle().skip(n).take(6) {
                read(other, settings);
                assert_eq!(bits(&read(capture, settings)), first, "capture {n}");
            }
        }
    }
}
