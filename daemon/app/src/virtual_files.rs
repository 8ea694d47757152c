//! Writes the files that go with a virtual bench.

use std::path::Path;

use wattproof_bench::BenchFile;

use crate::failure::Failure;

const HEAD: &str = "\
# Bench file of a virtual bench: simulated instruments, an invented amplifier, nothing real.
# A real bench needs its own limits: never copy these.

";

/// A bench file as TOML, with a word to whoever finds it.
pub fn bench_text(file: &BenchFile) -> Result<String, Failure> {
    Ok(format!("{HEAD}{}", to_toml(file)?))
}

/// A value as TOML.
pub fn to_toml<T: serde::Serialize>(value: &T) -> Result<String, Failure> {
    toml::to_string(value)
        .map_err(|error| Failure::Said(format!("a file could not be put into TOML: {error}")))
}

/// Writes a file a person asked for.
pub fn write(path: &Path, text: &str) -> Result<(), Failure> {
    std::fs::write(path, text).map_err(|source| Failure::File { path: path.into(), source })
}
