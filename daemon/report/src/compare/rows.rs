//! The same claim of several runs in one row.

use serde::Serialize;
use wattproof_method::Verdict;
use wattproof_runs::{Driven, LimitBy, RatingRecord};

use super::Side;
use super::significance::{Difference, differences};
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
    /// A cell a column; absent where a column has no judged rating at these conditions.
    pub cells: Vec<Option<Cell>>,
    /// How each differs from the first that was measured.
    pub differences: Vec<Option<Difference>>,
}

/// What a run made of a claim.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cell {
    /// The run.
    pub run: String,
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
/// rows; of the runs in one column the newest that judged a claim counts.
pub fn rows(sides: &[Side], groups: &[Vec<usize>]) -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    for (column, group) in groups.iter().enumerate() {
        for side in group.iter().filter_map(|index| sides.get(*index)) {
            for record in &side.records {
                put(&mut rows, column, groups.len(), side, record);
            }
        }
    }
    for row in &mut rows {
        let measured =
            |cell: &Option<Cell>| cell.as_ref().and_then(|cell| Some((cell.measured?, cell.expanded_u)));
        let numbers: Vec<_> = row.cells.iter().map(measured).collect();
        row.differences = differences(&numbers);
    }
    rows
}

fn put(rows: &mut Vec<Row>, column: usize, columns: usize, side: &Side, record: &RatingRecord) {
    let run = &side.brief.run;
    let cell = |row: &Row| row.cells.get(column).and_then(Clone::clone);
    // A newer run of the same column has told it.
    if rows.iter().any(|row| row.is_of(record) && cell(row).is_some_and(|cell| cell.run != *run)) {
        return;
    }
    let free = rows.iter().position(|row| row.is_of(record) && cell(row).is_none());
    let at = free.unwrap_or_else(|| {
        rows.push(empty(record, columns));
        rows.len() - 1
    });
    if let Some(cell) = rows.get_mut(at).and_then(|row| row.cells.get_mut(column)) {
        *cell = Some(cell_of(run, record));
    }
}

fn empty(record: &RatingRecord, columns: usize) -> Row {
    Row {
        load_ohm: record.load_ohm,
        supply_v: record.supply_v,
        hz: record.hz,
        limit_pct: record.limit_pct,
        limit_by: record.limit_by,
        driven: record.driven,
        cells: vec![None; columns],
        differences: Vec::new(),
    }
}

fn cell_of(run: &str, record: &RatingRecord) -> Cell {
    let brief = RatingBrief::from(record);
    Cell {
        run: run.into(),
        rated: brief.rated,
        measured: brief.measured,
        expanded_u: brief.expanded_u,
        unit: brief.unit,
        verdict: brief.verdict,
        cause: brief.cause,
    }
}
