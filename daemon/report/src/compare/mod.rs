//! Runs side by side: the same claims and quantities in one row, what differs between the runs named in plain words, what
//! makes them incomparable refused, and curves, sweeps and bars in figures. In come folders, out go data, a table, SVGs or a
//! page. Called by `lib.rs` alone.
//!
//! `conditions` judges the runs, `column` says which stand in one column, `rows` holds the claims; `derived`, `clean` and
//! `found` tell a run's other quantities, which `quantities` puts into rows; `significance` says which differences are more than
//! uncertainty; `bars`, `figure` and `sweeps` draw, `page` and `table` write.

mod bars;
mod clean;
mod column;
mod conditions;
mod derived;
mod figure;
mod found;
mod page;
mod quantities;
mod rows;
mod significance;
mod sweeps;
mod table;

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::Serialize;

pub use column::Column;
pub use figure::{Overlay, compare_figure};
pub use page::compare_page;
pub use quantities::{Quantity, QuantityCell};
pub use rows::{Cell, Row};
pub use significance::Difference;
pub use table::{compared_table, differences_table};

use crate::record::{CurvePoint, Recorded, RunFile, brief_of, curve, efficiencies, left_out, run_file};
use crate::{ReportError, RunBrief};

/// How runs are put side by side.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct How {
    /// Runs of one unit (maker, model, serial number) stand in one column; else each has its own.
    pub by_unit: bool,
    /// Incomparable runs are put side by side all the same.
    pub incomparable: bool,
}

/// Runs side by side.
#[derive(Debug, Clone, Serialize)]
pub struct Comparison {
    /// The runs, in the order asked for.
    pub runs: Vec<RunBrief>,
    /// What stands in a column: a run, or the runs of a unit.
    pub columns: Vec<Column>,
    /// Why the numbers are incomparable, in words; empty unless they were put side by side all the same.
    pub incomparable: Vec<String>,
    /// What differs between them besides the amplifiers, in words; empty when nothing that was looked at does.
    pub differences: Vec<String>,
    /// The claims, each with what every column made of it.
    pub rows: Vec<Row>,
    /// What else several of them may have told.
    pub quantities: Vec<Quantity>,
}

/// A run with what is compared of it.
pub(crate) struct Side {
    pub run: Recorded,
    pub file: RunFile,
    pub brief: RunBrief,
    pub records: Vec<wattproof_runs::RatingRecord>,
    pub left_out: Vec<crate::record::LeftOut>,
    pub curve: Vec<CurvePoint>,
    pub efficiency_pct: BTreeMap<usize, f64>,
    pub findings: Vec<wattproof_runs::Finding>,
}

pub(crate) fn sides(folders: &[PathBuf]) -> Result<Vec<Side>, ReportError> {
    let side = |folder: &PathBuf| {
        let run = Recorded::open(folder)?;
        let file = run_file(&run)?;
        let (brief, records) = (brief_of(&run, &file)?, run.ratings()?);
        let (left_out, curve, efficiency_pct) = (left_out(&run)?, curve(&run)?, efficiencies(&run)?);
        let findings = run.findings()?;
        Ok(Side { run, file, brief, records, left_out, curve, efficiency_pct, findings })
    };
    folders.iter().map(side).collect()
}

/// Runs side by side, with what differs between their conditions.
///
/// Costs for each run what [`crate::brief`] does, and `ratings.csv`, `curve.csv` and `findings.csv`.
///
/// # Errors
/// [`ReportError`], when one is no run's folder or a file of it can't be understood; [`ReportError::Incomparable`] with every
/// reason, unless `how` puts them side by side all the same.
pub fn compare(folders: &[PathBuf], how: How) -> Result<Comparison, ReportError> {
    Ok(compared(&judged(folders, how)?, how))
}

/// The runs, unless their numbers are incomparable and nobody wants them all the same.
pub(crate) fn judged(folders: &[PathBuf], how: How) -> Result<Vec<Side>, ReportError> {
    let sides = sides(folders)?;
    let reasons = conditions::incomparable(&sides);
    if !reasons.is_empty() && !how.incomparable {
        return Err(ReportError::Incomparable { reasons });
    }
    Ok(sides)
}

/// What a column is called in heads and legends: A to Z, then AA.
#[must_use]
pub fn letter(column: usize) -> String {
    let last = char::from(b'A' + u8::try_from(column % 26).unwrap_or(0));
    match column / 26 {
        0 => last.to_string(),
        more => format!("{}{last}", letter(more - 1)),
    }
}

pub(crate) fn compared(sides: &[Side], how: How) -> Comparison {
    let groups = column::groups(sides, how.by_unit);
    Comparison {
        runs: sides.iter().map(|side| side.brief.clone()).collect(),
        columns: column::columns(sides, &groups),
        incomparable: conditions::incomparable(sides),
        differences: conditions::differences(sides),
        rows: rows::rows(sides, &groups),
        quantities: quantities::quantities(sides, &groups),
    }
}
