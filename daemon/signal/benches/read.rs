//! Time of a full reading of voltage and current, and its ratio to the bare real transforms of the same samples.
//!
//! Run with `cargo bench -p wattproof-signal`; the ratios stand at the end of what it prints.

use std::f64::consts::TAU;
use std::hint::black_box;
use std::time::Instant;

use criterion::{Criterion, criterion_group};
use realfft::RealFftPlanner;
use wattproof_signal::{Capture, Settings, read};

const LEN: usize = 131_072;

/// A distorted, noisy voltage and the current it drives.
fn capture(fs_hz: f64, hz: f64, len: usize) -> Capture {
    let mut state = 1_u64;
    let mut noise = || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
    };
    let volts: Vec<f64> = (0..len)
        .map(|n| {
            let turn = TAU * (hz * n as f64 / fs_hz).fract();
            20.0 * turn.sin() + 0.02 * (2.0 * turn).sin() + 0.03 * (3.0 * turn + 0.4).sin() + 0.002 * noise()
        })
        .collect();
    let amps = volts.iter().map(|v| v / 4.0 + 0.0005 * noise()).collect();
    Capture { fs_hz, volts, amps: Some(amps), ..Capture::default() }
}

/// Two transforms of the same samples, with nothing around them: plan and buffers are there already.
struct Bare {
    plan: std::sync::Arc<dyn realfft::RealToComplex<f64>>,
    values: Vec<f64>,
    lines: Vec<realfft::num_complex::Complex<f64>>,
    scratch: Vec<realfft::num_complex::Complex<f64>>,
}

impl Bare {
    fn new(len: usize) -> Self {
        let plan = RealFftPlanner::new().plan_fft_forward(len);
        let (lines, scratch) = (plan.make_output_vec(), plan.make_scratch_vec());
        Self { plan, values: vec![0.0; len], lines, scratch }
    }

    fn run(&mut self, capture: &Capture) {
        for samples in [Some(&capture.volts), capture.amps.as_ref()].into_iter().flatten() {
            self.values.copy_from_slice(samples);
            let (values, lines, scratch) = (&mut self.values, &mut self.lines, &mut self.scratch);
            assert!(
                self.plan.process_with_scratch(values, lines, scratch).is_ok(),
                "buffers sized by the plan"
            );
            black_box(&self.lines);
        }
    }
}

const CASES: [(&str, f64, f64); 3] = [
    ("1 kHz at 192 kHz", 192_000.0, 1000.3),
    ("6 kHz at 192 kHz", 192_000.0, 6000.7),
    ("40 Hz at 48 kHz", 48_000.0, 40.013),
];

fn benches(criterion: &mut Criterion) {
    let settings = Settings::default();
    for (name, fs_hz, hz) in CASES {
        let capture = capture(fs_hz, hz, LEN);
        criterion.bench_function(&format!("read volts and amps, {name}"), |bencher| {
            bencher.iter(|| read(black_box(&capture), black_box(&settings)))
        });
    }
    let short = capture(192_000.0, 1000.3, 19_200);
    criterion.bench_function("read volts and amps, 19,200 samples", |bencher| {
        bencher.iter(|| read(black_box(&short), black_box(&settings)))
    });
    let capture = capture(192_000.0, 1000.3, LEN);
    let mut bare = Bare::new(LEN);
    criterion.bench_function("bare real transforms of both", |bencher| {
        bencher.iter(|| bare.run(black_box(&capture)))
    });
}

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

/// Reading and transforms in turn, so that a busy machine slows both.
fn ratios() {
    const ROUNDS: usize = 101;
    let settings = Settings::default();
    for (name, fs_hz, hz) in CASES {
        let capture = capture(fs_hz, hz, LEN);
        let mut bare = Bare::new(LEN);
        let (mut ours, mut theirs) = (Vec::new(), Vec::new());
        for _ in 0..ROUNDS {
            let start = Instant::now();
            black_box(read(black_box(&capture), &settings));
            ours.push(start.elapsed().as_secs_f64() * 1e3);
            let start = Instant::now();
            bare.run(black_box(&capture));
            theirs.push(start.elapsed().as_secs_f64() * 1e3);
        }
        let (ours, theirs) = (median(ours), median(theirs));
        println!(
            "ratio, {name}, 2 x {LEN} samples: reading {ours:.2} ms / bare transforms {theirs:.2} ms = {:.2}",
            ours / theirs
        );
    }
}

criterion_group!(group, benches);

fn main() {
    // Test runners ask a benchmark for its list, or run it once.
    let measuring = std::env::args().any(|argument| argument == "--bench");
    group();
    if measuring {
        ratios();
    }
    Criterion::default().configure_from_args().final_summary();
}
