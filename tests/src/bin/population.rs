//! `population VALUE OTHERS`: where a unit stands among others as JSON, for checks in other languages.
//!
//! `OTHERS` is a file of little-endian 64-bit floats, the value of each other unit.

use std::process::ExitCode;

use wattproof_method::population::place;

const USAGE: &str = "usage: population VALUE OTHERS";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match told(&arguments) {
        Ok(text) => {
            println!("{text}");
            ExitCode::SUCCESS
        }
        Err(message) => {
            eprintln!("population: {message}");
            ExitCode::FAILURE
        }
    }
}

fn told(arguments: &[String]) -> Result<String, String> {
    let [value, others] = arguments else { return Err(USAGE.into()) };
    let value: f64 = value.parse().map_err(|error| format!("VALUE is `{value}`: {error}; {USAGE}"))?;
    let bytes = std::fs::read(others).map_err(|error| format!("{others}: {error}"))?;
    let (values, rest) = bytes.as_chunks::<8>();
    if !rest.is_empty() {
        return Err(format!("{others}: {} bytes are no whole number of 64-bit floats", bytes.len()));
    }
    let others: Vec<f64> = values.iter().map(|value| f64::from_le_bytes(*value)).collect();
    serde_json::to_string(&place(value, &others)).map_err(|error| format!("no JSON: {error}"))
}
