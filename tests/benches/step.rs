//! Time per step on the virtual bench, as a ratio to what a step can't do without: settle, capture, and the bytes of
//! the capture over the line. Prints; judges nothing.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its run"
)]

#[path = "../tests/bench/mod.rs"]
mod bench;

use bench::Served;

const SAMPLES: f64 = 19_200.0;
const RATE_HZ: f64 = 192_000.0;
const CHANNELS: f64 = 4.0;
const BYTES_PER_SAMPLE: f64 = 4.0;
const STEPS: usize = 40;

/// Steps at one level: nothing but settle, capture, transfer, reading, journal, table.
const SCRIPT: &str = "
load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, on: true });
source(#{ hz: 1000.0, level_vrms: 0.2, on: true });
settle();
for n in 0..STEPS {
    source(#{ level_vrms: 0.2 + 0.001 * n });
    settle();
    capture(\"bench\");
}
";

fn main() {
    let served = Served::start("honest");
    let settle_ms = source_settle_ms(&std::fs::read_to_string(served.bench()).unwrap());
    let script = served.script(&SCRIPT.replace("STEPS", &STEPS.to_string()));
    let output = served.run(&script).output().unwrap();
    assert!(output.status.success(), "{}", bench::said(&output));
    let rows = bench::rows(&served.run_folder().join("steps.csv"));
    let mut ends_s: Vec<f64> =
        rows.iter().filter(|row| row["channel"] == "1").map(|row| bench::number(row, "at_s")).collect();
    ends_s.dedup();
    let mut each_ms: Vec<f64> = ends_s.windows(2).map(|pair| 1000.0 * (pair[1] - pair[0])).collect();
    each_ms.sort_by(f64::total_cmp);
    let capture_ms = 1000.0 * SAMPLES / RATE_HZ;
    let bytes = SAMPLES * CHANNELS * BYTES_PER_SAMPLE;
    // A pseudo-terminal has no line rate; a fast USB bridge's 12 Mbit/s at ten bits a byte stands for the line.
    let line_ms = 1000.0 * bytes * 10.0 / 12e6;
    let median_ms = each_ms[each_ms.len() / 2];
    println!("steps timed            {}", each_ms.len());
    println!("settle + capture       {:8.1} ms", settle_ms + capture_ms);
    println!(
        "step, median           {median_ms:8.1} ms  (min {:.1}, max {:.1})",
        each_ms[0],
        each_ms[each_ms.len() - 1]
    );
    println!(
        "ratio to settle + capture (no line time counted)      {:.3}",
        median_ms / (settle_ms + capture_ms)
    );
    println!(
        "ratio to settle + capture + {bytes} bytes at 12 Mbit/s  {:.3}",
        median_ms / (settle_ms + capture_ms + line_ms)
    );
}

fn source_settle_ms(bench: &str) -> f64 {
    let section = bench.split("[source]").nth(1).unwrap();
    let value = section.split("settle_ms = ").nth(1).unwrap().lines().next().unwrap();
    value.trim().parse().unwrap()
}
