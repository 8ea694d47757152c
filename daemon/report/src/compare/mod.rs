//! Runs side by side: the same claims in one row, what differs between the runs named in plain words, and the curves in one
//! figure. In come folders, out go data, an SVG or a page. Called by `lib.rs` alone.

mod differences;
mod figure;
mod page;
mod rows;

use std::path::PathBuf;

use serde::Serialize;

pub use figure::compare_figure;
pub use page::compare_page;
pub use rows::{Cell, Row};

use crate::record::{Recorded, RunFile, brief_of, left_out, run_file};
use crate::{ReportError, RunBrief};

/// Runs side by side.
#[derive(Debug, Clone, Serialize)]
pub struct Comparison {
    /// The runs, in the order asked for.
    pub runs: Vec<RunBrief>,
    /// What differs between them besides the amplifiers, in words; empty when nothing that was looked at does.
    pub differences: Vec<String>,
    /// The claims, each with what every run made of it.
    pub rows: Vec<Row>,
}

/// A run with what is compared of it.
pub(crate) struct Side {
    pub run: Recorded,
    pub file: RunFile,
    pub brief: RunBrief,
    pub records: Vec<wattproof_runs::RatingRecord>,
    pub left_out: Vec<crate::record::LeftOut>,
}

pub(crate) fn sides(folders: &[PathBuf]) -> Result<Vec<Side>, ReportError> {
    let side = |folder: &PathBuf| {
        let run = Recorded::open(folder)?;
        let file = run_file(&run)?;
        let (brief, records) = (brief_of(&run, &file)?, run.ratings()?);
        let left_out = left_out(&run)?;
        Ok(Side { run, file, brief, records, left_out })
    };
    folders.iter().map(side).collect()
}

/// Runs side by side, with what differs between their conditions.
///
/// Costs for each run what [`crate::brief`] does, and `ratings.csv`.
///
/// # Errors
/// [`ReportError`], when one is no run's folder or a file of it can't be understood.
pub fn compare(folders: &[PathBuf]) -> Result<Comparison, ReportError> {
    Ok(compared(&sides(folders)?))
}

pub(crate) fn compared(sides: &[Side]) -> Comparison {
    Comparison {
        runs: sides.iter().map(|side| side.brief.clone()).collect(),
        differences: differences::differences(sides),
        rows: rows::rows(sides),
    }
}
