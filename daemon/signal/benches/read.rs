//! Time of one reading: 19,200 samples of voltage and current.

use std::f64::consts::TAU;
use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use wattproof_signal::{Capture, Settings, read};

fn capture(fs_hz: f64, hz: f64) -> Capture {
    let volts: Vec<f64> = (0..19_200)
        .map(|n| {
            let turn = TAU * hz * n as f64 / fs_hz;
            20.0 * turn.sin() + 0.02 * (2.0 * turn).sin() + 0.03 * (3.0 * turn + 0.4).sin()
        })
        .collect();
    let amps = volts.iter().map(|v| v / 4.0).collect();
    Capture { fs_hz, volts, amps: Some(amps), ..Capture::default() }
}

fn benches(criterion: &mut Criterion) {
    let settings = Settings::default();
    for (name, fs_hz, hz) in [("1 kHz", 192_000.0, 1000.3), ("40 Hz", 48_000.0, 40.013)] {
        let capture = capture(fs_hz, hz);
        criterion.bench_function(&format!("read V and I at {name}"), |bencher| {
            bencher.iter(|| read(black_box(&capture), black_box(&settings)))
        });
    }
}

criterion_group!(group, benches);
criterion_main!(group);
