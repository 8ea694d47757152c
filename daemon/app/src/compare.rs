//! `wattproof compare`: several runs side by side as a table, with what differs between them; as CSV and as a page.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;
use wattproof_method::Verdict;
use wattproof_report::{Cell, Comparison, Row, compare as side_by_side, compare_page, with_u};
use wattproof_runs::{LimitBy, Words};

use crate::cli::WhichRun;
use crate::failure::Failure;
use crate::report::write_aside;
use crate::run_folder::folder_of;
use crate::say::{say, say_json};
use crate::table::{plain_table, printed};

/// `compare`.
#[derive(Args)]
pub struct CompareOrder {
    /// The runs: their folders, or their names below the folder of all runs
    #[arg(required = true, num_args = 2..)]
    pub runs: Vec<PathBuf>,
    /// Folder of all runs
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub results: PathBuf,
    /// Print it as JSON
    #[arg(long)]
    pub json: bool,
    /// Write the table as CSV, a row for each run of each claim
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Write table, differences and curves as one HTML file
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
}

/// Prints the runs side by side, and writes what else was asked for.
pub fn compare(order: &CompareOrder) -> Result<(), Failure> {
    let folder = |run: &PathBuf| folder_of(&WhichRun { run: run.clone(), out: order.results.clone() });
    let folders: Vec<PathBuf> = order.runs.iter().map(folder).collect::<Result<_, _>>()?;
    let compared = side_by_side(&folders)?;
    if let Some(path) = &order.csv {
        write_aside(path, &csv(&compared, path)?)?;
    }
    if let Some(path) = &order.html {
        write_aside(path, &compare_page(&folders)?)?;
    }
    if order.json { say_json(&compared) } else { say(&text(&compared)) }
}

fn text(compared: &Comparison) -> String {
    let mut lines = Vec::new();
    for (number, run) in (1..).zip(&compared.runs) {
        let invented = if run.invented { ", invented" } else { "" };
        lines.push(format!("{number}: {} ({}{invented})", run.run, run.amplifier));
    }
    lines.push(String::new());
    if compared.rows.is_empty() {
        lines.push("none of them has a judged rating".into());
    } else {
        lines.push(table(compared));
    }
    lines.push(String::new());
    if compared.differences.is_empty() {
        lines.push("between them nothing differs but what was measured".into());
    } else {
        lines.push("what differs between them:".into());
        lines.extend(compared.differences.iter().map(|difference| format!("  - {difference}")));
    }
    lines.join("\n")
}

fn table(compared: &Comparison) -> String {
    let mut table = plain_table(&[]);
    let numbers = (1..=compared.runs.len()).map(|number| number.to_string());
    table.set_header(std::iter::once("conditions".to_string()).chain(numbers));
    for row in &compared.rows {
        let cells = row.cells.iter().map(|cell| cell.as_ref().map_or("-".to_string(), cell_words));
        table.add_row(std::iter::once(row.conditions()).chain(cells));
    }
    printed(table)
}

fn cell_words(cell: &Cell) -> String {
    let (measured, u) = with_u(cell.measured.unwrap_or(f64::NAN), cell.expanded_u.unwrap_or(f64::NAN));
    let rated = cell.rated.map_or("nothing".into(), |rated| rated.to_string());
    format!("{measured} ± {u} {} of {rated}: {}, {}", cell.unit, cell.verdict, cell.cause)
}

/// A row of the table as CSV: what a run made of a claim. Absent values are empty.
#[derive(Serialize)]
struct CsvRow<'a> {
    load_ohm: f64,
    supply_v_set: f64,
    hz: f64,
    limit_by: LimitBy,
    limit_pct: f64,
    driven: &'static str,
    run: Words,
    rated: Option<f64>,
    measured: Option<f64>,
    expanded_u: Option<f64>,
    unit: Option<&'static str>,
    verdict: Option<Verdict>,
    cause: Option<&'a str>,
}

/// RFC 4180, full precision.
fn csv(compared: &Comparison, path: &Path) -> Result<String, Failure> {
    let fail = |what: String| {
        Failure::Said(format!("{}: the table could not be put into CSV: {what}", path.display()))
    };
    let mut builder = csv::WriterBuilder::new();
    let mut writer = builder.terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    for row in &compared.rows {
        for (run, cell) in compared.runs.iter().zip(&row.cells) {
            let line = csv_row(row, &run.run, cell.as_ref());
            writer.serialize(line).map_err(|error| fail(error.to_string()))?;
        }
    }
    let bytes = writer.into_inner().map_err(|error| fail(error.to_string()))?;
    String::from_utf8(bytes).map_err(|error| fail(error.to_string()))
}

fn csv_row<'a>(row: &Row, run: &str, cell: Option<&'a Cell>) -> CsvRow<'a> {
    CsvRow {
        load_ohm: row.load_ohm,
        supply_v_set: row.supply_v,
        hz: row.hz,
        limit_by: row.limit_by,
        limit_pct: row.limit_pct,
        driven: row.driven.word(),
        run: run.into(),
        rated: cell.and_then(|cell| cell.rated),
        measured: cell.and_then(|cell| cell.measured),
        expanded_u: cell.and_then(|cell| cell.expanded_u),
        unit: cell.map(|cell| cell.unit),
        verdict: cell.map(|cell| cell.verdict),
        cause: cell.map(|cell| cell.cause.as_str()),
    }
}
