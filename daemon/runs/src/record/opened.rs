//! The first line of a journal: all that is needed to understand, re-compute and resume the run.

use serde::{Deserialize, Serialize};
use wattproof_bench::BenchFile;
use wattproof_guard::Limits;

use crate::Nameplate;
use crate::host::Parameter;

/// What was run, on what.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Opened {
    /// Name of the run.
    pub run: String,
    /// Version of this program.
    pub wattproof_version: String,
    /// When, UTC.
    pub started_utc: String,
    /// The bench's clock at that moment, s.
    pub begun_s: f64,
    /// Path of the script.
    pub script: String,
    /// Hash of the script, hexadecimal.
    pub script_sha256: String,
    /// The script itself.
    pub source: String,
    /// Its parameters with their values; none in older records.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parameters: Vec<Parameter>,
    /// The amplifier under test.
    pub nameplate: Nameplate,
    /// The instruments: role, link, dialect, identity.
    pub instruments: serde_json::Value,
    /// What is fixed about the bench.
    #[serde(flatten)]
    pub facts: Facts,
}

/// What is fixed about a bench for the length of a run.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Facts {
    /// The bench file.
    pub bench: BenchFile,
    /// The limits in force.
    pub limits: Limits,
    /// Highest level that the source can give, V rms.
    pub source_vrms_max: f64,
    /// Day on which the run began, UTC, `YYYY-MM-DD`: calibrations hold by it, whenever the run is computed again. Empty in
    /// older records.
    #[serde(default)]
    pub begun_day: String,
    /// Whether the bench is checked before the script.
    #[serde(default)]
    pub selfcheck: bool,
}

impl Opened {
    /// What differs between the bench recorded and another, if anything; links may differ, since ports get other names, and where its runs are published.
    pub fn other_bench(&self, bench: &BenchFile, instruments: &serde_json::Value) -> Option<String> {
        let same = |a: &serde_json::Value, b: &serde_json::Value| without_links(a) == without_links(b);
        let json = |file: &BenchFile| serde_json::to_value(file).unwrap_or_default();
        if !same(&json(&self.facts.bench), &json(bench)) {
            return Some(format!("the bench file of bench \"{}\" has changed", self.facts.bench.name));
        }
        (!same(&self.instruments, instruments)).then(|| "other instruments answer".to_string())
    }
}

fn without_links(value: &serde_json::Value) -> serde_json::Value {
    match value {
        serde_json::Value::Object(map) => {
            let kept = map.iter().filter(|(key, _)| !["link", "catalogue"].contains(&key.as_str()));
            kept.map(|(key, value)| (key.clone(), without_links(value))).collect()
        }
        serde_json::Value::Array(items) => items.iter().map(without_links).collect(),
        other => other.clone(),
    }
}
