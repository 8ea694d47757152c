//! The whole run as its journal tells it, checked line by line: what a report rests on.

use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};
use wattproof_bench::BenchFile;
use wattproof_method::intake::Ending;
use wattproof_method::selfcheck::SelfCheck;
use wattproof_runs::{
    Finding, JOURNAL_FILE, Line, Nameplate, NotMeasured, Outcome, Parameter, RatingRecord, RatingResult,
    walk_journal,
};

use super::folder::{Recorded, last_of_each, last_of_findings};
use super::run_file::Instrument;
use crate::ReportError;

/// The first line: what was run, on what.
#[derive(Debug, Deserialize)]
pub(crate) struct Opened {
    pub run: String,
    pub wattproof_version: String,
    pub started_utc: String,
    pub script: String,
    pub script_sha256: String,
    pub source: String,
    /// The script's parameters; none in older records.
    #[serde(default)]
    pub parameters: Vec<Parameter>,
    pub nameplate: Nameplate,
    #[serde(default)]
    pub instruments: Vec<Instrument>,
    pub bench: BenchFile,
    /// The limits in force, by name.
    #[serde(default)]
    pub limits: Map<String, Value>,
    /// Day on which it began, `YYYY-MM-DD`; empty in older records.
    #[serde(default)]
    pub begun_day: String,
    /// Whether a self-check was ordered.
    #[serde(default)]
    pub selfcheck: bool,
}

/// A resumption.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub(crate) struct Resumed {
    pub from_seq: u64,
    pub at_utc: String,
    pub gap_s: Option<f64>,
}

/// How it ended.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub(crate) struct Closed {
    pub outcome: Outcome,
    pub error: Option<String>,
    /// The same for programs; absent in older records.
    #[serde(default)]
    pub ending: Option<Ending>,
    pub ended_utc: String,
    pub safe: Option<Safe>,
}

/// The state in which the outputs were left.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub(crate) struct Safe {
    pub source_off: bool,
    pub supply_off: bool,
    #[serde(default)]
    pub measured_live: bool,
    #[serde(default)]
    pub warnings: Vec<String>,
}

/// Everything a report tells but steps, curves and samples.
#[derive(Debug)]
pub(crate) struct Story {
    pub opened: Opened,
    /// What the last self-check found; absent where there was none or it came to no end.
    pub selfcheck: Option<SelfCheck>,
    pub resumed: Vec<Resumed>,
    /// The end; absent while the run goes on, or when it was cut off.
    pub closed: Option<Closed>,
    pub left_out: Vec<NotMeasured>,
    pub ratings: Vec<RatingRecord>,
    pub findings: Vec<Finding>,
    pub journal: JournalState,
}

/// What the journal is worth as a record.
#[derive(Debug)]
pub(crate) struct JournalState {
    /// Whole lines.
    pub lines: u64,
    /// Hash over them.
    pub chain: String,
    /// Bytes after them: a write cut short, or a line on its way to the disk.
    pub torn_bytes: usize,
    /// The first line, from 1, that is not as it was written; nothing from there on is told.
    pub broken_line: Option<usize>,
}

/// Reads and checks the whole journal.
pub(crate) fn story(run: &Recorded) -> Result<Story, ReportError> {
    let path = run.file(JOURNAL_FILE);
    let mut gathered = Gathered::default();
    let mut wrong = None;
    let (lines, read) = walk_journal(run.folder().disk().as_ref(), &path, |line| {
        let seq = line.seq;
        if let (None, Err(error)) = (&wrong, gathered.take(line)) {
            wrong = Some(format!("line {}: {error}", seq + 1));
        }
    })?;
    let not_told = |what: String| ReportError::NotTold { path: path.clone(), what };
    if let Some(what) = wrong {
        return Err(not_told(what));
    }
    let opened = gathered.opened.ok_or_else(|| {
        not_told(match read.broken_line {
            Some(line) => format!("line {line} is damaged"),
            None => "its first line does not tell what was run".into(),
        })
    })?;
    let journal =
        JournalState { lines, chain: read.chain, torn_bytes: read.torn.len(), broken_line: read.broken_line };
    let ratings = gathered.ratings.iter().map(|(_, result)| RatingRecord::from(result)).collect();
    Ok(Story {
        opened,
        selfcheck: gathered.selfcheck,
        resumed: gathered.resumed,
        closed: gathered.closed,
        left_out: gathered.left_out,
        ratings: last_of_each(ratings),
        findings: last_of_findings(gathered.findings.into_iter().map(|(_, finding)| finding).collect()),
        journal,
    })
}

#[derive(Default)]
struct Gathered {
    opened: Option<Opened>,
    selfcheck: Option<SelfCheck>,
    resumed: Vec<Resumed>,
    closed: Option<Closed>,
    left_out: Vec<NotMeasured>,
    /// With the number of their line: a resumed run leaves some behind.
    ratings: Vec<(u64, RatingResult)>,
    /// Likewise.
    findings: Vec<(u64, Finding)>,
}

impl Gathered {
    fn take(&mut self, line: Line) -> Result<(), String> {
        let seq = line.seq;
        match line.kind.as_str() {
            "opened" if seq == 0 => self.opened = Some(data(line)?),
            "selfcheck" => self.selfcheck = Some(data(line)?),
            "not_measured" => {
                let one: NotMeasured = data(line)?;
                self.left_out.retain(|known| known.rating != one.rating);
                self.left_out.push(one);
            }
            "rating" => self.ratings.push((seq, data(line)?)),
            "finding" => self.findings.push((seq, data(line)?)),
            "resumed" => {
                let resumed: Resumed = data(line)?;
                self.ratings.retain(|(seq, _)| *seq < resumed.from_seq);
                self.findings.retain(|(seq, _)| *seq < resumed.from_seq);
                self.resumed.push(resumed);
                self.closed = None;
            }
            "closed" => self.closed = Some(data(line)?),
            _ => {}
        }
        Ok(())
    }
}

fn data<T: DeserializeOwned>(line: Line) -> Result<T, String> {
    let kind = line.kind;
    serde_json::from_value(line.data)
        .map_err(|error| format!("this \"{kind}\" can't be understood ({error})"))
}
