//! The same claim of several runs in one row.

use serde::Serialize;
use wattproof_method::Verdict;
use wattproof_runs::{Driven, LimitBy, RatingRecord};

use super::Side;
use crate::record::RatingBrief;

/// A claim's conditions, with what every run made of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Load, ohm.
    pub load_ohm: f64,
    /// Supply voltage, V.
    pub supply_v: f64,
    /// Frequency, Hz.
    pub hz: f64,
    /// Distortion limit, %.
    pub limit_pct: f64,
    /// What the limit applies to.
    pub limit_by: LimitBy,
    /// Channels driven together.
    pub driven: Driven,
    /// A cell a run; absent where a run has no judged rating at these conditions.
    pub cells: Vec<Option<Cell>>,
}

/// What a run made of a claim.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cell {
    /// Claimed, in `unit`.
    pub rated: Option<f64>,
    /// Measured, in `unit`.
    pub measured: Option<f64>,
    /// Expanded uncertainty, in `unit`.
    pub expanded_u: Option<f64>,
    /// `W` or `V` (rms).
    pub unit: &'static str,
    /// The verdict.
    pub verdict: Verdict,
    /// Why it stops there.
    pub cause: String,
}

impl Row {
    /// Its conditions in words.
    #[must_use]
    pub fn conditions(&self) -> String {
        let by = match self.limit_by {
            LimitBy::Thdn => "THD+N",
            LimitBy::Thd => "THD",
        };
        let driven = match self.driven {
            Driven::All => "all driven",
            Driven::One => "one driven",
            Driven::Bridged => "bridged",
        };
        format!(
            "{} ohm, {} V, {} Hz, {} % {by}, {driven}",
            self.load_ohm, self.supply_v, self.hz, self.limit_pct
        )
    }

    fn is_of(&self, record: &RatingRecord) -> bool {
        self.load_ohm == record.load_ohm
            && self.supply_v == record.supply_v
            && self.hz == record.hz
            && self.limit_pct == record.limit_pct
            && self.limit_by == record.limit_by
            && self.driven == record.driven
    }
}

/// All claims of all runs, in the order in which they first appear. Two claims of one run at the same conditions stand in two
/// rows.
pub fn rows(sides: &[Side]) -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    for (index, side) in sides.iter().enumerate() {
        for record in &side.records {
            let free =
                |row: &&mut Row| row.is_of(record) && row.cells.get(index).is_some_and(Option::is_none);
            let at = match rows.iter_mut().find(free) {
                Some(row) => row,
                None => {
                    rows.push(empty(record, sides.len()));
                    match rows.last_mut() {
                        Some(row) => row,
                        None => continue,
                    }
                }
            };
            if let Some(cell) = at.cells.get_mut(index) {
                *cell = Some(cell_of(record));
            }
        }
    }
    rows
}

fn empty(record: &RatingRecord, runs: usize) -> Row {
    Row {
        load_ohm: record.load_ohm,
        supply_v: record.supply_v,
        hz: record.hz,
        limit_pct: record.limit_pct,
        limit_by: record.limit_by,
        driven: record.driven,
        cells: vec![None; runs],
    }
}

fn cell_of(record: &RatingRecord) -> Cell {
    let brief = RatingBrief::from(record);
    Cell {
        rated: brief.rated,
        measured: brief.measured,
        expanded_u: brief.expanded_u,
        unit: brief.unit,
        verdict: brief.verdict,
        cause: brief.cause,
    }
}
