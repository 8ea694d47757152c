//! The tables of a run that is going on.

use crate::RunError;
use crate::burst_table::BurstRow;
use crate::finding::FindingRow;
use crate::folder::{FINDINGS_FILE, RunFolder};
use crate::rebuild::Tables;
use crate::tables::{CurveRow, RatingRow, StepRow, Table};

/// Tables open for appending.
pub struct OpenTables {
    /// `steps.csv`.
    pub steps: Table<StepRow>,
    /// `ratings.csv`.
    pub ratings: Table<RatingRow>,
    /// `curve.csv`.
    pub curve: Table<CurveRow>,
    /// `bursts.csv`.
    pub bursts: Table<BurstRow>,
    /// `findings.csv`.
    pub findings: Table<FindingRow>,
}

impl OpenTables {
    /// New ones, with their headers.
    pub fn create(folder: &RunFolder) -> Result<Self, RunError> {
        let disk = folder.disk().as_ref();
        Ok(OpenTables {
            steps: Table::create(disk, &folder.file("steps.csv"))?,
            ratings: Table::create(disk, &folder.file("ratings.csv"))?,
            curve: Table::create(disk, &folder.file("curve.csv"))?,
            bursts: Table::create(disk, &folder.file("bursts.csv"))?,
            findings: Table::create(disk, &folder.file(FINDINGS_FILE))?,
        })
    }

    /// Those of an earlier part of the run, written anew from its journal.
    pub fn renewed(folder: &RunFolder, tables: &Tables) -> Result<Self, RunError> {
        let disk = folder.disk().as_ref();
        Ok(OpenTables {
            steps: Table::renewed(disk, &folder.file("steps.csv"), &tables.steps)?,
            ratings: Table::renewed(disk, &folder.file("ratings.csv"), &tables.ratings)?,
            curve: Table::renewed(disk, &folder.file("curve.csv"), &tables.curve)?,
            bursts: Table::renewed(disk, &folder.file("bursts.csv"), &tables.bursts)?,
            findings: Table::renewed(disk, &folder.file(FINDINGS_FILE), &tables.findings)?,
        })
    }
}
