//! `run.json`: what was run, on what, and how it ended.

use serde::Deserialize;
use serde::de::IgnoredAny;
use wattproof_bench::CalibrationState;
use wattproof_runs::{Nameplate, Outcome, Parameter};

use super::folder::{RUN_FILE_BYTES_MAX, Recorded};
use crate::ReportError;

const RUN_FILE: &str = "run.json";

/// What stands in it and counts here; unknown keys are of newer versions.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct RunFile {
    pub wattproof_version: String,
    pub started_utc: String,
    pub ended_utc: Option<String>,
    pub outcome: Option<Outcome>,
    /// What made it fail.
    #[serde(default)]
    pub error: Option<String>,
    /// Every resumption.
    #[serde(default)]
    pub resumed: Vec<Gap>,
    pub script: String,
    pub script_sha256: String,
    /// The script's parameters; none in older records.
    #[serde(default)]
    pub parameters: Vec<Parameter>,
    pub nameplate: Nameplate,
    pub bench: BenchSummary,
    #[serde(default)]
    pub instruments: Vec<Instrument>,
    #[serde(default)]
    pub selfcheck: Option<Checked>,
    #[serde(default)]
    pub calibrations: Vec<InputCalibration>,
    pub steps: u64,
    pub journal_chain: String,
    /// The ratings judged up to its end.
    #[serde(default)]
    pub ratings: Vec<RatingPowers>,
}

impl RunFile {
    /// Maker and model.
    pub fn amplifier(&self) -> String {
        format!("{} {}", self.nameplate.maker, self.nameplate.model).trim().to_string()
    }
}

/// A resumption.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct Gap {
    /// Time since the last record before, s, where it can be told.
    pub gap_s: Option<f64>,
}

/// What of a rating only `run.json` tells.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct RatingPowers {
    pub rating: usize,
    pub ceiling: CeilingPowers,
}

/// The power of each driven channel at the ceiling, W, before its correction.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct CeilingPowers {
    #[serde(default)]
    pub power_w_each: Vec<f64>,
}

/// What of the bench file counts here.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct BenchSummary {
    pub name: String,
    /// Absent in older records.
    #[serde(default)]
    pub virtual_bench: bool,
    pub mains_hz: f64,
    pub digitizer: DigitizerSummary,
}

/// What of the digitizer counts here.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct DigitizerSummary {
    pub rate_hz: f64,
    #[serde(default)]
    pub bridge: Vec<IgnoredAny>,
}

/// The self-check of a run.
#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Checked {
    LeftOut,
    Unfinished,
    Made(Checks),
}

/// What came of its checks.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct Checks {
    #[serde(default)]
    pub checks: Vec<OneCheck>,
}

/// What came of one.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct OneCheck {
    pub result: wattproof_method::selfcheck::Told,
}

/// Who answered in a role.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub(crate) struct Instrument {
    pub role: String,
    #[serde(default)]
    pub link: String,
    #[serde(default)]
    pub dialect: String,
    #[serde(default)]
    pub idn: String,
}

/// How the calibration of an input stood when the run began.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct InputCalibration {
    pub calibration: CalibrationState,
}

/// Whether an instrument is one of this program's own simulated ones, by what it answers.
pub(crate) fn is_simulated(idn: &str) -> bool {
    idn.to_ascii_lowercase().starts_with("wattproof,virtual-")
}

/// Reads it. A run that was resumed and goes on, or was cut off again, has not ended whatever the file says from before: it
/// is written anew only at the end.
pub(crate) fn run_file(run: &Recorded) -> Result<RunFile, ReportError> {
    let bytes = run.bytes(RUN_FILE, RUN_FILE_BYTES_MAX)?.ok_or_else(|| run.missing(RUN_FILE))?;
    let mut file: RunFile =
        serde_json::from_slice(&bytes).map_err(|error| run.altered(RUN_FILE, error.to_string()))?;
    if file.outcome.is_some() && run.end()?.is_some_and(|end| end.chain != file.journal_chain) {
        (file.outcome, file.ended_utc) = (None, None);
    }
    Ok(file)
}
