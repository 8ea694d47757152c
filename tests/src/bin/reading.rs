//! `reading FS_HZ EXPECTED_HZ VOLTS [AMPS] [--rounds N]`: the reading of a raw capture as JSON, for checks in other
//! languages.
//!
//! `VOLTS` and `AMPS` are files of little-endian 64-bit floats, one per sample, in volts and amperes at the
//! amplifier's output. `EXPECTED_HZ` may be `-` where no frequency was commanded. With `--rounds`, the capture is read
//! once to warm up and N times more, and what is printed is the list of milliseconds that each took.

use std::path::Path;
use std::process::ExitCode;

use wattproof_signal::{Capture, Settings, read};

const USAGE: &str = "usage: reading FS_HZ EXPECTED_HZ VOLTS [AMPS] [--rounds N]";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match reading(&arguments) {
        Ok(text) => {
            println!("{text}");
            ExitCode::SUCCESS
        }
        Err(message) => {
            eprintln!("reading: {message}");
            ExitCode::FAILURE
        }
    }
}

fn reading(arguments: &[String]) -> Result<String, String> {
    let (arguments, rounds) = match arguments {
        [rest @ .., flag, rounds] if flag == "--rounds" => (rest, Some(number("N", rounds)? as usize)),
        all => (all, None),
    };
    let (fs, expected, volts, amps) = match arguments {
        [fs, expected, volts] => (fs, expected, volts, None),
        [fs, expected, volts, amps] => (fs, expected, volts, Some(amps)),
        _ => return Err(USAGE.into()),
    };
    let expected_hz = if expected == "-" { None } else { Some(number("EXPECTED_HZ", expected)?) };
    let capture = Capture {
        fs_hz: number("FS_HZ", fs)?,
        volts: samples(Path::new(volts))?,
        amps: amps.map(|path| samples(Path::new(path))).transpose()?,
        ..Capture::default()
    };
    let settings = Settings { expected_hz, ..Settings::default() };
    let reading = read(&capture, &settings);
    if let Some(rounds) = rounds {
        let took = |_| {
            let start = std::time::Instant::now();
            std::hint::black_box(read(std::hint::black_box(&capture), &settings));
            format!("{:.4}", start.elapsed().as_secs_f64() * 1e3)
        };
        return Ok(format!("[{}]", (0..rounds).map(took).collect::<Vec<_>>().join(",")));
    }
    serde_json::to_string(&reading)
        .map_err(|error| format!("the reading could not be put into JSON: {error}"))
}

fn number(name: &str, text: &str) -> Result<f64, String> {
    text.parse().map_err(|error| format!("{name} is `{text}`, which is no number ({error}); {USAGE}"))
}

fn samples(path: &Path) -> Result<Vec<f64>, String> {
    let bytes = std::fs::read(path)
        .map_err(|error| format!("{}: {error}; name a file of 64-bit floats", path.display()))?;
    let (values, rest) = bytes.as_chunks::<8>();
    if !rest.is_empty() {
        return Err(format!(
            "{}: {} bytes are no whole number of 64-bit floats; write it again",
            path.display(),
            bytes.len()
        ));
    }
    Ok(values.iter().map(|value| f64::from_le_bytes(*value)).collect())
}
