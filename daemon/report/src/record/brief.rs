//! A run in a few figures, for lists.

use std::path::Path;

use serde::Serialize;
use wattproof_method::Verdict;
use wattproof_runs::{Driven, Finding, Outcome, RatingRecord};

use super::folder::Recorded;
use super::run_file::{RunFile, run_file};
use super::steps::step_count;
use crate::ReportError;

/// A run in a few figures.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunBrief {
    /// The run's name, which is its folder's.
    pub run: String,
    /// Maker and model.
    pub amplifier: String,
    /// Maker.
    pub maker: String,
    /// Model.
    pub model: String,
    /// Serial number of the unit.
    pub serial: Option<String>,
    /// Whether amplifier and claims are invented.
    pub invented: bool,
    /// The bench's name.
    pub bench: String,
    /// File name of the script.
    pub script: String,
    /// When it began, UTC.
    pub started_utc: String,
    /// When it ended, UTC; absent while it goes on or when it was cut off.
    pub ended_utc: Option<String>,
    /// How it ended; absent likewise.
    pub outcome: Option<Outcome>,
    /// Steps recorded.
    pub steps: u64,
    /// The ratings judged so far.
    pub ratings: Vec<RatingBrief>,
}

/// A judged rating in a few figures.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RatingBrief {
    /// Which, from 1.
    pub rating: usize,
    /// Claimed, in `unit`.
    pub rated: Option<f64>,
    /// Measured, in `unit`.
    pub measured: Option<f64>,
    /// Expanded uncertainty, in `unit`.
    pub expanded_u: Option<f64>,
    /// `W`, or `V` (rms) of a line stage.
    pub unit: &'static str,
    /// Load, ohm.
    pub load_ohm: f64,
    /// Supply voltage, V.
    pub supply_v: f64,
    /// Channels driven together.
    pub driven: Driven,
    /// The verdict.
    pub verdict: Verdict,
    /// Why it stops there.
    pub cause: String,
}

impl From<&RatingRecord> for RatingBrief {
    fn from(record: &RatingRecord) -> Self {
        let (rated, measured, expanded_u, unit) = figures(record);
        RatingBrief {
            rating: record.rating,
            rated,
            measured,
            expanded_u,
            unit,
            load_ohm: record.load_ohm,
            supply_v: record.supply_v,
            driven: record.driven,
            verdict: record.verdict,
            cause: record.cause.clone(),
        }
    }
}

/// Rated, measured, U and their unit.
pub(super) fn figures(record: &RatingRecord) -> (Option<f64>, Option<f64>, Option<f64>, &'static str) {
    match &record.volts {
        Some(volts) => (Some(volts.rated_vrms), Some(volts.measured_vrms), Some(volts.expanded_u_vrms), "V"),
        None => (record.rated_w, record.measured_w, record.expanded_u_w, "W"),
    }
}

/// A run in a few figures, as far as it is recorded.
///
/// Costs the reading of `run.json` and `ratings.json` (a millisecond or two) and, of a run that has not ended, of
/// `steps.csv` as well.
///
/// # Errors
/// [`ReportError`], when it is no run's folder or one of these files can't be understood.
pub fn brief(folder: &Path) -> Result<RunBrief, ReportError> {
    let run = Recorded::open(folder)?;
    let file = run_file(&run)?;
    brief_of(&run, &file)
}

pub(crate) fn brief_of(run: &Recorded, file: &RunFile) -> Result<RunBrief, ReportError> {
    let steps = match file.outcome {
        Some(_) => file.steps,
        None => step_count(run)?,
    };
    let plate = &file.nameplate;
    Ok(RunBrief {
        run: run.name().into(),
        amplifier: file.amplifier(),
        maker: plate.maker.clone(),
        model: plate.model.clone(),
        serial: plate.serial.clone(),
        invented: plate.invented,
        bench: file.bench.name.clone(),
        script: file_name(&file.script),
        started_utc: file.started_utc.clone(),
        ended_utc: file.ended_utc.clone(),
        outcome: file.outcome,
        steps,
        ratings: run.ratings()?.iter().map(RatingBrief::from).collect(),
    })
}

/// What a run's script found out, as far as it is recorded.
///
/// Costs the reading of `findings.csv`.
///
/// # Errors
/// [`ReportError`], when it is no run's folder or the table can't be understood.
pub fn findings(folder: &Path) -> Result<Vec<Finding>, ReportError> {
    Recorded::open(folder)?.findings()
}

/// The last part of a path, or all of what is none.
pub(crate) fn file_name(path: &str) -> String {
    Path::new(path).file_name().map_or(path.to_string(), |name| name.to_string_lossy().into_owned())
}
