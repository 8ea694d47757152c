//! What stands in each column of a run's tables: who reads a table as data need not guess from what happens to stand there.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::Value;

use crate::burst_table::BurstRow;
use crate::finding::FindingRow;
use crate::tables::{CurveRow, RatingRow, StepRow, header};

/// What stands in a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColumnKind {
    /// Numbers.
    Number,
    /// Whole numbers.
    Whole,
    /// Words.
    Words,
    /// Yes or no.
    Flag,
}

/// Columns of whole numbers that may be empty, so that a row of nothing does not tell them from other numbers.
const WHOLE: [&str; 4] = ["rating", "step", "channel", "captures"];

/// The columns of a run's table by their names, in order; none of a file that is no table.
///
/// # Errors
/// The `csv` crate's.
pub fn columns_of(file: &str) -> Result<Vec<(String, ColumnKind)>, csv::Error> {
    match file {
        "steps.csv" => columns::<StepRow>(),
        "ratings.csv" => columns::<RatingRow>(),
        "curve.csv" => columns::<CurveRow>(),
        "bursts.csv" => columns::<BurstRow>(),
        "findings.csv" => columns::<FindingRow>(),
        _ => Ok(Vec::new()),
    }
}

fn columns<T: Serialize + Default>() -> Result<Vec<(String, ColumnKind)>, csv::Error> {
    let row =
        serde_json::to_value(T::default()).map_err(|error| csv::Error::from(std::io::Error::other(error)))?;
    let row: BTreeMap<String, Value> = match row {
        Value::Object(row) => row.into_iter().collect(),
        _ => BTreeMap::new(),
    };
    let kind = |name: &str| match row.get(name) {
        Some(Value::String(_)) => ColumnKind::Words,
        Some(Value::Bool(_)) => ColumnKind::Flag,
        Some(Value::Number(number)) if number.is_u64() => ColumnKind::Whole,
        Some(Value::Null) if WHOLE.contains(&name) => ColumnKind::Whole,
        _ => ColumnKind::Number,
    };
    Ok(header::<T>()?.iter().map(|name| (name.to_string(), kind(name))).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// README.md: the columns of each table, and what stands in them.
    #[test]
    fn every_column_has_its_kind() {
        let kind = |file: &str, column: &str| {
            columns_of(file).unwrap().into_iter().find(|(name, _)| name == column).map(|(_, kind)| kind)
        };
        for (file, column, of) in [
            ("steps.csv", "step", ColumnKind::Whole),
            ("steps.csv", "rating", ColumnKind::Whole),
            ("steps.csv", "driven", ColumnKind::Flag),
            ("steps.csv", "flags", ColumnKind::Words),
            ("steps.csv", "active_w", ColumnKind::Number),
            ("steps.csv", "level_vrms", ColumnKind::Number),
            ("ratings.csv", "driven", ColumnKind::Words),
            ("ratings.csv", "captures", ColumnKind::Whole),
            ("ratings.csv", "not_measured", ColumnKind::Words),
            ("curve.csv", "point", ColumnKind::Words),
            ("findings.csv", "channel", ColumnKind::Whole),
            ("findings.csv", "value", ColumnKind::Number),
            ("findings.csv", "verdict", ColumnKind::Words),
        ] {
            assert_eq!(kind(file, column), Some(of), "{file} {column}");
        }
        assert_eq!(columns_of("steps.csv").unwrap().len(), 54);
        assert!(columns_of("run.json").unwrap().is_empty());
    }
}
