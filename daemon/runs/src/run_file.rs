//! `run.json`: what was run, on what, and how it ended; all of it comes from the journal.

use serde::Serialize;
use serde_json::Value;
use wattproof_bench::{CalibrationState, Measures};

use crate::host::Parameter;
use crate::record::Opened;
use crate::{Line, Outcome, RatingResult, RunError, RunFolder};

/// The file's name in a run's folder.
pub const RUN_FILE: &str = "run.json";

/// The whole file.
#[derive(Debug, Serialize)]
pub struct RunFile<'a> {
    run: &'a str,
    wattproof_version: &'a str,
    started_utc: &'a str,
    ended_utc: Option<&'a str>,
    outcome: Option<Outcome>,
    error: Option<&'a str>,
    /// Every resumption: when, and how long the gap before it was.
    resumed: Vec<&'a Value>,
    script: &'a str,
    script_sha256: &'a str,
    /// The script's parameters with their values.
    parameters: &'a [Parameter],
    nameplate: &'a crate::Nameplate,
    bench: &'a wattproof_bench::BenchFile,
    instruments: &'a Value,
    selfcheck: Checked<'a>,
    calibrations: Vec<Calibrations<'a>>,
    steps: usize,
    ratings: &'a [RatingResult],
    safe: Option<&'a Value>,
    journal_chain: &'a str,
}

/// The self-check of a run.
#[derive(Debug, Serialize)]
#[serde(rename_all = "snake_case")]
enum Checked<'a> {
    /// The run was ordered without one.
    LeftOut,
    /// It did not come to its end.
    Unfinished,
    /// What it found.
    Made(&'a Value),
}

impl<'a> Checked<'a> {
    fn of(opened: &Opened, lines: &'a [Line]) -> Self {
        let made = lines.iter().rfind(|line| line.kind == "selfcheck").map(|line| &line.data);
        match made {
            _ if !opened.facts.selfcheck => Checked::LeftOut,
            Some(made) => Checked::Made(made),
            None => Checked::Unfinished,
        }
    }
}

/// How the calibration of one input stood on the day on which the run began.
#[derive(Debug, Serialize)]
struct Calibrations<'a> {
    adc: u32,
    amplifier_channel: u32,
    measures: Measures,
    calibration: CalibrationState,
    due: Option<&'a str>,
}

impl<'a> Calibrations<'a> {
    fn of(opened: &'a Opened) -> Vec<Self> {
        let inputs = opened.facts.bench.digitizer.channel.iter();
        let stands = inputs.map(|input| Calibrations {
            adc: input.adc,
            amplifier_channel: input.amplifier_channel,
            measures: input.measures,
            calibration: input.calibration_state(&opened.facts.begun_day),
            due: input.calibration.as_ref().map(|made| made.due.as_str()),
        });
        stands.collect()
    }
}

impl<'a> RunFile<'a> {
    /// From a journal's lines, the ratings that count, and the hash over the lines.
    pub fn of(opened: &'a Opened, lines: &'a [Line], ratings: &'a [RatingResult], chain: &'a str) -> Self {
        let last = lines.iter().rfind(|line| line.kind == "closed" || line.kind == "resumed");
        let closed = last.filter(|line| line.kind == "closed").map(|line| &line.data);
        let field = |name: &str| closed.and_then(|data| data.get(name));
        RunFile {
            run: &opened.run,
            wattproof_version: &opened.wattproof_version,
            started_utc: &opened.started_utc,
            ended_utc: field("ended_utc").and_then(Value::as_str),
            outcome: field("outcome").and_then(|outcome| serde_json::from_value(outcome.clone()).ok()),
            error: field("error").and_then(Value::as_str),
            resumed: lines.iter().filter(|line| line.kind == "resumed").map(|line| &line.data).collect(),
            script: &opened.script,
            script_sha256: &opened.script_sha256,
            parameters: &opened.parameters,
            nameplate: &opened.nameplate,
            bench: &opened.facts.bench,
            instruments: &opened.instruments,
            selfcheck: Checked::of(opened, lines),
            calibrations: Calibrations::of(opened),
            steps: lines.iter().filter(|line| line.kind == "step").count(),
            ratings,
            safe: field("safe"),
            journal_chain: chain,
        }
    }

    /// As text.
    ///
    /// # Errors
    /// [`RunError::Folder`].
    pub fn text(&self, folder: &RunFolder) -> Result<String, RunError> {
        serde_json::to_string_pretty(self).map_err(|error| RunError::Folder {
            path: folder.file(RUN_FILE),
            source: std::io::Error::other(error),
        })
    }
}
