//! The tables of a run from its journal, byte for byte as the run wrote them.

use std::fs::File;
use std::path::Path;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use wattproof_method::BurstAnswer;

use crate::burst_table::{BurstRow, burst_rows};
use crate::disk::claim;
use crate::finding::{FindingRow, finding_row};
use crate::folder::{FINDINGS_FILE, JOURNAL_FILE};
use crate::record::Opened;
use crate::run_file::RunFile;
use crate::tables::{
    CurveRow, RatingRow, StepRow, curve_rows, head, left_out_row, lines, rating_row, step_rows,
};
use crate::{
    Finding, Line, NotMeasured, RATINGS_FILE, RatingResult, RatingsFile, RunError, RunFolder, Step,
    TableError, read_journal,
};

/// A burst procedure as the journal keeps it.
#[derive(Serialize, Deserialize)]
pub struct BurstRecord {
    /// Test frequency, Hz.
    pub hz: f64,
    /// Load, ohm.
    pub load_ohm: f64,
    /// Supply setpoint, V.
    pub supply_v_set: f64,
    /// Rating served, from 1.
    pub rating: Option<usize>,
    /// What came out, a channel each.
    pub channels: Vec<BurstAnswer>,
}

impl BurstRecord {
    /// Its rows in `bursts.csv`.
    pub fn rows(&self) -> Vec<BurstRow> {
        burst_rows(&self.channels, self.rating, self.hz, self.load_ohm, self.supply_v_set)
    }
}

/// Every table of a run.
pub struct Tables {
    /// `steps.csv`.
    pub steps: Vec<u8>,
    /// `ratings.csv`.
    pub ratings: Vec<u8>,
    /// `curve.csv`.
    pub curve: Vec<u8>,
    /// `bursts.csv`.
    pub bursts: Vec<u8>,
    /// `findings.csv`.
    pub findings: Vec<u8>,
    /// The ratings that count at the end.
    pub results: Vec<RatingResult>,
    /// The ratings left out.
    pub left_out: Vec<NotMeasured>,
}

/// The tables that the lines of a journal make.
///
/// # Errors
/// [`RunError::NotOpened`] with the line when a record can't be understood; [`RunError::Table`].
pub fn tables(folder: &RunFolder, journal: &[Line]) -> Result<Tables, RunError> {
    let fail = |source| RunError::Table(TableError { path: folder.path().into(), source });
    let mut tables = Tables {
        steps: head::<StepRow>().map_err(fail)?,
        ratings: head::<RatingRow>().map_err(fail)?,
        curve: head::<CurveRow>().map_err(fail)?,
        bursts: head::<BurstRow>().map_err(fail)?,
        findings: head::<FindingRow>().map_err(fail)?,
        results: Vec::new(),
        left_out: Vec::new(),
    };
    // Steps and ratings that count, with the number of their line: what a resumed run left behind stays in steps.csv,
    // but is part of no later curve.
    let mut steps: Vec<(u64, Step)> = Vec::new();
    let mut results: Vec<(u64, RatingResult)> = Vec::new();
    for line in journal {
        match line.kind.as_str() {
            "step" => {
                let step: Step = data(folder, line)?;
                tables.steps.extend(lines(step_rows(&step)).map_err(fail)?);
                steps.push((line.seq, step));
            }
            "rating" => {
                let result: RatingResult = data(folder, line)?;
                tables.ratings.extend(lines([rating_row(&result)]).map_err(fail)?);
                let standing: Vec<Step> = steps.iter().map(|(_, step)| step.clone()).collect();
                tables.curve.extend(lines(curve_rows(&result, &standing)).map_err(fail)?);
                results.push((line.seq, result));
            }
            "not_measured" => {
                let one: NotMeasured = data(folder, line)?;
                tables.ratings.extend(lines([left_out_row(&one)]).map_err(fail)?);
                tables.left_out.push(one);
            }
            "burst" => {
                let record: BurstRecord = data(folder, line)?;
                tables.bursts.extend(lines(record.rows()).map_err(fail)?);
            }
            "finding" => {
                let finding: Finding = data(folder, line)?;
                tables.findings.extend(lines([finding_row(&finding)]).map_err(fail)?);
            }
            "resumed" => {
                let from_seq = line.data.get("from_seq").and_then(serde_json::Value::as_u64);
                let from_seq = from_seq.unwrap_or(u64::MAX);
                steps.retain(|(seq, _)| *seq < from_seq);
                results.retain(|(seq, _)| *seq < from_seq);
            }
            _ => {}
        }
    }
    tables.results = results.into_iter().map(|(_, result)| result).collect();
    Ok(tables)
}

fn data<T: DeserializeOwned>(folder: &RunFolder, line: &Line) -> Result<T, RunError> {
    serde_json::from_value(line.data.clone()).map_err(|error| {
        let path = folder.file(JOURNAL_FILE);
        RunError::Call(format!(
            "{}:{}: this {} can't be understood ({error}): was it written by another version?",
            path.display(),
            line.seq + 1,
            line.kind
        ))
    })
}

/// Writes every table and `run.json` of the run in a folder anew; gives the names of the files that were not as they are
/// now.
///
/// # Errors
/// [`RunError`], when the run still goes on, its journal can't be read or a table not written.
pub fn rebuild(folder: &Path) -> Result<Vec<&'static str>, RunError> {
    let folder = RunFolder::open(folder)?;
    let path = folder.file(JOURNAL_FILE);
    let claimed = File::open(&path).and_then(|file| claim(&file).map(|()| file));
    let _claimed = claimed.map_err(|source| RunError::Folder { path, source })?;
    rebuild_own(&folder)
}

/// The same for a run of this process.
pub(crate) fn rebuild_own(folder: &RunFolder) -> Result<Vec<&'static str>, RunError> {
    let disk = folder.disk();
    let path = folder.file(JOURNAL_FILE);
    let read = read_journal(disk.as_ref(), &path)?;
    let not_opened = || RunError::NotOpened { path: path.clone() };
    let first = read.lines.first().filter(|line| line.kind == "opened").ok_or_else(not_opened)?;
    let opened: Opened = data(folder, first)?;
    let tables = tables(folder, &read.lines)?;
    let mut files = vec![
        ("steps.csv", tables.steps),
        ("ratings.csv", tables.ratings),
        ("curve.csv", tables.curve),
        ("bursts.csv", tables.bursts),
        (FINDINGS_FILE, tables.findings),
        ("run.json", RunFile::of(&opened, &read.lines, &tables.results, &read.chain).text(folder)?.into()),
    ];
    if !tables.results.is_empty() {
        let file = RatingsFile::new(&opened.run, &opened.nameplate.model, &tables.results, &tables.left_out);
        files.push((RATINGS_FILE, file.text(folder)?.into()));
    }
    let mut changed = Vec::new();
    for (name, bytes) in files {
        if disk.read(&folder.file(name)).ok().as_deref() != Some(bytes.as_slice()) {
            let path = folder.file(name);
            disk.write_whole(&path, &bytes).map_err(|source| RunError::Folder { path, source })?;
            changed.push(name);
        }
    }
    match read.broken_line {
        Some(line) => Err(crate::JournalError::Broken { path, line }.into()),
        None => Ok(changed),
    }
}
