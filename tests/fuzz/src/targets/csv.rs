//! CSV recordings.
//!
//! Holds: what [`super::recording`] says; lines that end as RFC 4180 wants them are read the same; a recording written as
//! a plain table is read as the same.

use std::fmt::Write;

use wattproof_recordings::{Recording, Wanted, read};

use super::recording;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "csv",
    check,
    words: &[
        "time,volts,amps\n",
        "Time [ms];U;I\n",
        "t\tv\n",
        "0,0\n",
        "0.001,1\n",
        "0,5;1,25\n",
        "\"0,5\"",
        "\"",
        "\"\"",
        ",,,,,,,",
        ";;;;",
        "\t",
        "#",
        "\r\n",
        "\n",
        "\u{feff}",
        "nan",
        "inf",
        "1e308",
        "1e-308",
        "us",
        "ns",
        "µs",
        "RIFF",
        "\0",
    ],
    shipped: &[],
};

/// Tries one input.
pub fn check(bytes: &[u8]) {
    let Some(found) = recording::check(bytes).filter(|found| !found.relative) else { return };
    if !bytes.contains(&b'\r') && !bytes.contains(&b'"') {
        let lines: Vec<&[u8]> = bytes.split(|byte| *byte == b'\n').collect();
        let again = read(lines.join(b"\r\n".as_slice()).as_slice(), &Wanted::default()).unwrap();
        assert_eq!(again, found, "ends of lines matter");
    }
    check_written(&found);
}

/// Written with a column of time and every digit.
fn check_written(found: &Recording) {
    let samples = found.channels[0].samples.len();
    let last_s = samples as f64 / found.fs_hz;
    // Times that a double can't tell apart or hold are no table's fault.
    if !(found.fs_hz > 1e-6 && last_s.is_finite()) {
        return;
    }
    let mut table = String::from("time");
    for number in 1..=found.channels.len() {
        write!(table, ",c{number}").unwrap();
    }
    for index in 0..samples {
        write!(table, "\n{:e}", index as f64 / found.fs_hz).unwrap();
        for channel in &found.channels {
            write!(table, ",{:e}", channel.samples[index]).unwrap();
        }
    }
    let again = read(table.as_bytes(), &Wanted::default()).expect("what was written is not read");
    assert!((again.fs_hz / found.fs_hz - 1.0).abs() < 1e-6, "{} Hz, {} Hz", again.fs_hz, found.fs_hz);
    for (again, found) in again.channels.iter().zip(&found.channels) {
        assert_eq!(again.samples, found.samples);
    }
}
