//! Quantities beside the judged ratings, a row each: what several runs tell of the same thing.

use serde::Serialize;
use wattproof_method::Verdict;
use wattproof_runs::{Driven, LimitBy};

use super::significance::{Difference, differences};
use super::{Side, clean, derived, found};

/// A quantity at its conditions, with what every column tells of it. Conditions that are not said are absent.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Quantity {
    /// What it is.
    pub quantity: String,
    /// What tells it.
    pub told_by: ToldBy,
    /// Unit; empty for a number without one.
    pub unit: String,
    /// Load, ohm.
    pub load_ohm: Option<f64>,
    /// Supply voltage, V.
    pub supply_v: Option<f64>,
    /// Frequency, Hz.
    pub hz: Option<f64>,
    /// Distortion limit, %.
    pub limit_pct: Option<f64>,
    /// What the limit applies to.
    pub limit_by: Option<LimitBy>,
    /// Channels driven together.
    pub driven: Option<Driven>,
    /// Amplifier channel or bridge, from 1.
    pub channel: Option<u32>,
    /// Other conditions, in words, where a run tells the same at several.
    pub at: String,
    /// A cell a column; absent where no run of it says anything.
    pub cells: Vec<Option<QuantityCell>>,
    /// How each differs from the first that has a value.
    pub differences: Vec<Option<Difference>>,
}

/// What tells a quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ToldBy {
    /// A judged rating.
    Rating,
    /// A rating's power curve.
    Curve,
    /// A finding of a script.
    Finding,
}

impl ToldBy {
    /// The word for it in tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            ToldBy::Rating => "rating",
            ToldBy::Curve => "curve",
            ToldBy::Finding => "finding",
        }
    }
}

/// What a run tells of a quantity.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct QuantityCell {
    /// The run.
    pub run: String,
    /// The number, in the row's unit; absent where it can't be told, and `note` says why.
    pub value: Option<f64>,
    /// Expanded uncertainty, in the row's unit; absent where it can't be told.
    pub expanded_u: Option<f64>,
    /// The verdict of a finding with limits.
    pub verdict: Option<Verdict>,
    /// The conditions of a finding, in its words.
    pub at: String,
    /// What to know beside it, or why it is absent.
    pub note: String,
}

impl Quantity {
    /// A row without cells.
    pub(crate) fn new(quantity: &str, told_by: ToldBy, unit: &str) -> Self {
        Quantity {
            quantity: quantity.into(),
            told_by,
            unit: unit.into(),
            load_ohm: None,
            supply_v: None,
            hz: None,
            limit_pct: None,
            limit_by: None,
            driven: None,
            channel: None,
            at: String::new(),
            cells: Vec::new(),
            differences: Vec::new(),
        }
    }

    /// Its conditions in words; empty when none are said.
    #[must_use]
    pub fn conditions(&self) -> String {
        let mut words = Vec::new();
        words.extend(self.channel.map(|channel| format!("channel {channel}")));
        words.extend(self.load_ohm.map(|ohm| format!("{ohm} ohm")));
        words.extend(self.supply_v.map(|volts| format!("{volts} V")));
        words.extend(self.hz.map(|hz| format!("{hz} Hz")));
        words.extend(self.limit_pct.map(|pct| match self.limit_by {
            Some(LimitBy::Thd) => format!("{pct} % THD"),
            _ => format!("{pct} % THD+N"),
        }));
        words.extend(self.driven.map(|driven| match driven {
            Driven::All => "all driven".to_string(),
            Driven::One => "one driven".to_string(),
            Driven::Bridged => "bridged".to_string(),
        }));
        words.extend(Some(self.at.clone()).filter(|at| !at.is_empty()));
        words.join(", ")
    }

    fn is_of(&self, other: &Quantity) -> bool {
        let bare = |row: &Quantity| Quantity { cells: Vec::new(), differences: Vec::new(), ..row.clone() };
        bare(self) == bare(other)
    }
}

/// A quantity as one run tells it: a row of one cell.
pub(crate) struct Told {
    pub row: Quantity,
    pub cell: QuantityCell,
}

/// Every quantity that a run tells, in the order in which they first appear. Of the runs in one column the newest that tells
/// a number counts; what no run tells as a number, and none was asked for, has no row.
pub fn quantities(sides: &[Side], groups: &[Vec<usize>]) -> Vec<Quantity> {
    let by_conditions = found::told_at_several(sides);
    let mut rows: Vec<Quantity> = Vec::new();
    for kind in 0..3 {
        for (column, group) in groups.iter().enumerate() {
            for side in group.iter().filter_map(|index| sides.get(*index)) {
                let told = match kind {
                    0 => derived::derived(side),
                    1 => clean::clean(side),
                    _ => found::found(side, &by_conditions),
                };
                for one in told {
                    put(&mut rows, column, groups.len(), one);
                }
            }
        }
    }
    rows.retain(|row| {
        row.cells.iter().flatten().any(|cell| cell.value.is_some()) || row.told_by == ToldBy::Curve
    });
    for row in &mut rows {
        let value =
            |cell: &Option<QuantityCell>| cell.as_ref().and_then(|cell| Some((cell.value?, cell.expanded_u)));
        let numbers: Vec<_> = row.cells.iter().map(value).collect();
        row.differences = differences(&numbers);
    }
    rows
}

fn put(rows: &mut Vec<Quantity>, column: usize, columns: usize, told: Told) {
    let at = rows.iter().position(|row| row.is_of(&told.row)).unwrap_or_else(|| {
        rows.push(Quantity { cells: vec![None; columns], ..told.row });
        rows.len() - 1
    });
    let Some(cell) = rows.get_mut(at).and_then(|row| row.cells.get_mut(column)) else { return };
    // Runs come newest first; within a run what was told last counts.
    let counts = match cell {
        None => true,
        Some(known) if known.run == told.cell.run => told.cell.value.is_some(),
        Some(known) => known.value.is_none() && told.cell.value.is_some(),
    };
    if counts {
        *cell = Some(told.cell);
    }
}
