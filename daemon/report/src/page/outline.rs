//! A run in short: what a terminal shows of the report.

use std::path::Path;

use serde::Serialize;

use super::Fact;
use super::build::unanswered;
use super::deviations::deviations;
use super::facts::conditions;
use crate::record::{Recorded, brief_of, parameters_words, run_file, steps_of, story};
use crate::{ReportError, RunBrief};
use wattproof_runs::Finding;

/// A run in short.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outline {
    /// What it was and what came out.
    #[serde(flatten)]
    pub brief: RunBrief,
    /// The script's parameters with their values; those that somebody set are marked.
    pub parameters: String,
    /// Why it did not finish.
    pub error: Option<String>,
    /// The ratings without an answer, each with its reason.
    pub unanswered: Vec<Fact>,
    /// What the script found out that is no rating.
    pub findings: Vec<Finding>,
    /// Under which conditions it was measured.
    pub conditions: Vec<Fact>,
    /// What a reader must know before believing a number, the gravest first.
    pub deviations: Vec<String>,
}

/// A run in short, as far as it is recorded.
///
/// Costs the reading and checking of the whole journal, and of `steps.csv`.
///
/// # Errors
/// [`ReportError`], when it is no run's folder, or its journal or tables can't be understood.
pub fn outline(folder: &Path) -> Result<Outline, ReportError> {
    let run = Recorded::open(folder)?;
    let story = story(&run)?;
    let steps = steps_of(&run, 0)?;
    Ok(Outline {
        brief: brief_of(&run, &run_file(&run)?)?,
        parameters: parameters_words(&story.opened.parameters),
        error: story.closed.as_ref().and_then(|closed| closed.error.clone()),
        unanswered: unanswered(&story),
        findings: story.findings.clone(),
        conditions: conditions(&story, &steps),
        deviations: deviations(&story, &steps),
    })
}
