//! Time per step on the virtual bench behind lines of three rates, as a ratio to what a step can't do without: settle,
//! capture, and the bytes of the capture over the line; then the daemon's own processor time per step. Prints; judges
//! nothing. `ONLY=115200` takes one rate.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a benchmark that can't run fails by panicking")]

#[path = "../tests/bench/mod.rs"]
mod bench;

use bench::Served;

/// Line rate, bit/s; steps timed; samples per channel.
const LINES: [(f64, usize, usize); 3] = [(115_200.0, 4, 19_200), (1e6, 12, 19_200), (12e6, 60, 19_200)];
const RATE_HZ: f64 = 192_000.0;
/// Voltage and current of one amplifier channel.
const CHANNELS: usize = 2;
/// As the default format of the digitizer's dialect has it.
const BYTES_PER_SAMPLE: usize = 4;
/// A start bit, eight data bits, a stop bit.
const BITS_PER_BYTE: f64 = 10.0;
/// Samples per channel of the steps whose processor time is told.
const COUNTED_SAMPLES: usize = 65_536;
const COUNTED_STEPS: usize = 100;
/// Length of a tick of `/proc/PID/stat` on Linux, ms.
const TICK_MS: f64 = 10.0;

/// Steps at levels that rise, so that each waits for the samples of the one before, or fall: nothing but settle, capture, transfer, reading, journal, table.
const SCRIPT: &str = "
digitizer(#{ samples: SAMPLES });
load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, on: true });
source(#{ hz: 1000.0, level_vrms: 0.2, on: true });
settle();
let levels_vrms = [];
for n in 0..STEPS { levels_vrms.push(0.2 + SLOPE * n); }
capture_at(#{ levels_vrms: levels_vrms, purpose: \"bench\" });
";

fn main() {
    let only = std::env::var("ONLY").ok();
    println!(
        "{:>10} {:>6} {:>6} {:>10} {:>10} {:>10} {:>10}  ratio",
        "line", "levels", "steps", "least", "median", "min", "max"
    );
    for (bits_per_s, steps, samples) in LINES {
        if only.as_ref().is_none_or(|only| *only == bits_per_s.to_string()) {
            time(bits_per_s, steps, samples, "rise");
            time(bits_per_s, steps, samples, "fall");
        }
    }
    if only.is_none() {
        let (few, many) = (processor_ms(1), processor_ms(1 + COUNTED_STEPS));
        let [own, system] = [0, 1].map(|part| (many[part] - few[part]) / COUNTED_STEPS as f64);
        println!(
            "daemon with script and guardian, {COUNTED_SAMPLES} samples of {CHANNELS} channels: {own:.2} ms of processor time a step, and {system:.2} ms in the kernel"
        );
    }
}

/// Steps behind a line of so many bit/s, against settle + capture + bytes on that line.
fn time(bits_per_s: f64, steps: usize, samples: usize, levels: &str) {
    let pace = (bits_per_s as u64).to_string();
    let served = one_channel(Served::start_with("honest", &["--pace", &pace]));
    run(&served, samples, steps + 1, levels);
    let rows = bench::rows(&served.run_folder().join("steps.csv"));
    let mut ends_s: Vec<f64> =
        rows.iter().filter(|row| row["channel"] == "1").map(|row| bench::number(row, "at_s")).collect();
    ends_s.dedup();
    let mut each_ms: Vec<f64> = ends_s.windows(2).map(|pair| 1000.0 * (pair[1] - pair[0])).collect();
    each_ms.sort_by(f64::total_cmp);
    let line_ms = 1000.0 * (samples * CHANNELS * BYTES_PER_SAMPLE) as f64 * BITS_PER_BYTE / bits_per_s;
    let settle_ms = source_settle_ms(&std::fs::read_to_string(served.bench()).unwrap());
    let least_ms = settle_ms + 1000.0 * samples as f64 / RATE_HZ + line_ms;
    let median_ms = each_ms[each_ms.len() / 2];
    println!(
        "{bits_per_s:>10} {levels:>6} {:>6} {least_ms:>7.1} ms {median_ms:>7.1} ms {:>7.1} ms {:>7.1} ms  {:.3}",
        each_ms.len(),
        each_ms[0],
        each_ms[each_ms.len() - 1],
        median_ms / least_ms
    );
}

/// Processor time of a run of so many steps, with its children's, ms: its own and in the kernel.
fn processor_ms(steps: usize) -> [f64; 2] {
    let served = one_channel(Served::start("honest"));
    let before = children_ticks();
    run(&served, COUNTED_SAMPLES, steps, "rise");
    let after = children_ticks();
    [0, 1].map(|part| TICK_MS * (after[part] - before[part]) as f64)
}

/// Processor time, user and system, of every child of this process that was waited for, and of theirs, in ticks.
fn children_ticks() -> [u64; 2] {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap();
    // Behind the name, which may hold anything: proc(5) counts cutime as field 16, cstime as 17.
    let fields: Vec<&str> = text.rsplit(')').next().unwrap().split_whitespace().collect();
    [13, 14].map(|field| fields[field].parse().unwrap())
}

fn run(served: &Served, samples: usize, steps: usize, levels: &str) {
    let slope = if levels == "rise" { "0.001" } else { "-0.001" };
    let text = SCRIPT.replace("STEPS", &steps.to_string()).replace("SAMPLES", &samples.to_string());
    let text = text.replace("SLOPE", slope);
    let output = served.run(&served.script(&text)).output().unwrap();
    assert!(output.status.success(), "{}", bench::said(&output));
}

/// Leaves the first amplifier channel of a bench.
fn one_channel(served: Served) -> Served {
    let text = std::fs::read_to_string(served.bench()).unwrap();
    let (head, channels) = text.split_once("[[digitizer.channel]]").unwrap();
    let (channels, tail) = channels.split_once("[thermometer]").unwrap();
    let first: Vec<&str> = channels.split("[[digitizer.channel]]").take(CHANNELS).collect();
    let kept =
        format!("{head}[[digitizer.channel]]{}[thermometer]{tail}", first.join("[[digitizer.channel]]"));
    let kept =
        kept.replace("outputs = [1, 2]", "outputs = [1]").replace("channels = [1, 2]", "channels = [1]");
    std::fs::write(served.bench(), kept).unwrap();
    served
}

fn source_settle_ms(bench: &str) -> f64 {
    let section = bench.split("[source]").nth(1).unwrap();
    let value = section.split("settle_ms = ").nth(1).unwrap().lines().next().unwrap();
    value.trim().parse().unwrap()
}
