//! A run's tables as data, with what stands in each column; words as they were before a CSV made them harmless.

use std::path::Path;

use wattproof_runs::{ColumnKind, FINDINGS_FILE, Outcome, columns_of};

use super::brief::file_name;
use super::folder::{Recorded, cell_text};
use super::run_file::{RunFile, run_file};
use crate::ReportError;
use crate::table::{Field, Kind, Table, TableColumn};

/// The tables of a run that are exported.
const FILES: [(&str, &str); 4] =
    [("steps", "steps.csv"), ("ratings", "ratings.csv"), ("curve", "curve.csv"), ("findings", FINDINGS_FILE)];

/// What a run is, as fields that stand before those of each of its rows.
const RUN_COLUMNS: [&str; 5] = ["run", "maker", "model", "serial", "bench"];

/// A run as tables.
#[derive(Debug, Clone, PartialEq)]
pub struct RunTables {
    /// The run's name.
    pub run: String,
    /// When it began, UTC.
    pub started_utc: String,
    /// `steps`, `ratings`, `curve` and `findings`, each row with `run`, `maker`, `model`, `serial` and `bench` before the columns
    /// of the CSV; then `runs`, one row that says what it was.
    pub tables: Vec<Table>,
}

/// A run's tables as data, as far as they are recorded.
///
/// Costs the reading of `run.json` and of every table.
///
/// # Errors
/// [`ReportError`], when it is no run's folder or a table can't be understood; a field that is not of its column's kind is named
/// with file, row and column.
pub fn tables(folder: &Path) -> Result<RunTables, ReportError> {
    let run = Recorded::open(folder)?;
    let file = run_file(&run)?;
    let mut tables = Vec::new();
    for (name, csv_file) in FILES {
        // Records of before findings have no such file.
        let there = csv_file != FINDINGS_FILE || run.file(csv_file).symlink_metadata().is_ok();
        let bytes = if there { run.table(csv_file)? } else { Vec::new() };
        tables.push(table(&run, &file, name, csv_file, &bytes)?);
    }
    tables.push(about(&run, &file));
    Ok(RunTables { run: run.name().into(), started_utc: file.started_utc, tables })
}

/// The tables of several runs put one below the other, those of the same name in one.
#[must_use]
pub fn joined(runs: &[RunTables]) -> Vec<Table> {
    let mut joined: Vec<Table> = Vec::new();
    for table in runs.iter().flat_map(|run| &run.tables) {
        match joined.iter_mut().find(|known| known.name == table.name) {
            Some(known) => append(known, table),
            None => joined.push(table.clone()),
        }
    }
    joined
}

/// Rows of another version of the table, whose columns may be fewer or more, go by their names.
fn append(known: &mut Table, table: &Table) {
    for column in &table.columns {
        if !known.columns.contains(column) {
            known.columns.push(column.clone());
            known.rows.iter_mut().for_each(|row| row.push(Field::Empty));
        }
    }
    let places: Vec<Option<usize>> =
        known.columns.iter().map(|column| table.columns.iter().position(|own| own == column)).collect();
    let field = |row: &Vec<Field>, place: &Option<usize>| {
        place.and_then(|place| row.get(place)).cloned().unwrap_or(Field::Empty)
    };
    let rows = table.rows.iter().map(|row| places.iter().map(|place| field(row, place)).collect());
    known.rows.extend(rows);
}

fn words(name: &str) -> TableColumn {
    TableColumn { name: name.into(), kind: Kind::Words }
}

fn run_fields(run: &Recorded, file: &RunFile) -> [Field; 5] {
    let plate = &file.nameplate;
    [
        run.name().into(),
        plate.maker.as_str().into(),
        plate.model.as_str().into(),
        plate.serial.as_deref().into(),
        file.bench.name.as_str().into(),
    ]
}

fn table(
    run: &Recorded,
    file: &RunFile,
    name: &str,
    csv_file: &str,
    bytes: &[u8],
) -> Result<Table, ReportError> {
    let altered = |error: csv::Error| run.altered(csv_file, error.to_string());
    let known = columns_of(csv_file).map_err(altered)?;
    let mut reader = csv::Reader::from_reader(bytes);
    let header = reader.headers().map_err(altered)?.clone();
    let names: Vec<String> = match header.is_empty() {
        true => known.iter().map(|(name, _)| name.clone()).collect(),
        false => header.iter().map(str::to_string).collect(),
    };
    // A column of a newer version is taken as it stands.
    let kind = |name: &String| {
        known.iter().find(|(known, _)| known == name).map_or(Kind::Words, |(_, kind)| match kind {
            ColumnKind::Number => Kind::Number,
            ColumnKind::Whole => Kind::Whole,
            ColumnKind::Words => Kind::Words,
            ColumnKind::Flag => Kind::Flag,
        })
    };
    let own: Vec<TableColumn> =
        names.iter().map(|name| TableColumn { name: name.clone(), kind: kind(name) }).collect();
    let mut rows = Vec::new();
    for (number, record) in (2u64..).zip(reader.records()) {
        let record = record.map_err(altered)?;
        let mut row = run_fields(run, file).to_vec();
        for (cell, column) in record.iter().zip(&own) {
            row.push(field(cell, column.kind).ok_or_else(|| {
                let what =
                    format!("row {number}, {}: {cell:?} is not what stands in this column", column.name);
                run.altered(csv_file, what)
            })?);
        }
        rows.push(row);
    }
    let columns = RUN_COLUMNS.iter().map(|name| words(name)).chain(own).collect();
    Ok(Table { name: name.into(), columns, rows })
}

/// The field of a cell; absent when it is not of its kind.
fn field(cell: &str, kind: Kind) -> Option<Field> {
    if cell.is_empty() {
        return Some(Field::Empty);
    }
    match kind {
        Kind::Number => cell.parse().ok().map(Field::Number),
        Kind::Whole => cell.parse().ok().map(Field::Whole),
        Kind::Flag => cell.parse().ok().map(Field::Flag),
        Kind::Words => Some(Field::Words(cell_text(cell).into())),
    }
}

/// What the run was.
fn about(run: &Recorded, file: &RunFile) -> Table {
    let outcome = file.outcome.map(|outcome| match outcome {
        Outcome::Finished => "finished",
        Outcome::Stopped => "stopped",
        Outcome::Failed => "failed",
    });
    let columns = RUN_COLUMNS.iter().map(|name| words(name));
    let further =
        ["script", "started_utc", "ended_utc", "outcome", "wattproof_version"].iter().map(|name| words(name));
    let mut columns: Vec<TableColumn> = columns.chain(further).collect();
    columns.push(TableColumn { name: "invented".into(), kind: Kind::Flag });
    let mut row = run_fields(run, file).to_vec();
    row.extend([
        file_name(&file.script).as_str().into(),
        file.started_utc.as_str().into(),
        file.ended_utc.as_deref().into(),
        outcome.into(),
        file.wattproof_version.as_str().into(),
        Field::Flag(file.nameplate.invented),
    ]);
    Table { name: "runs".into(), columns, rows: vec![row] }
}
