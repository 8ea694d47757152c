//! `wattproof compare`: several runs side by side as a table, with what differs between them; as CSV and as a page.

use std::path::PathBuf;

use clap::Args;
use wattproof_report::{
    Cell, Comparison, Difference, How, QuantityCell, compare as side_by_side, compare_page, compared_table,
    differences_table, letter, significant, with_u,
};

use crate::cli::WhichRun;
use crate::export::write_workbook;
use crate::failure::Failure;
use crate::report::write_aside;
use crate::run_folder::folder_of;
use crate::say::{say, say_json};
use crate::table::{plain_table, printed};

/// How `compare` ends.
pub const ENDS: &str = "Exit codes: 0 compared; 12 the runs are not comparable, and nothing was written; 1 failed; 2 wrong usage.";

/// `compare`.
#[derive(Args)]
pub struct CompareOrder {
    /// The runs: their folders, or their names below the folder of all runs
    #[arg(required = true, num_args = 2..)]
    pub runs: Vec<PathBuf>,
    /// Folder of all runs
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub results: PathBuf,
    /// Put runs of one unit (maker, model, serial number) into one column: the newest that tells a number counts
    #[arg(long)]
    pub by_unit: bool,
    /// Put runs side by side though their numbers are not comparable; whatever is written says so
    #[arg(long)]
    pub incomparable: bool,
    /// Print it as JSON
    #[arg(long)]
    pub json: bool,
    /// Write the table as CSV, a row for each run of each quantity
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Write the table, and what differs between the runs, as a workbook with typed cells
    #[arg(long, value_name = "FILE")]
    pub xlsx: Option<PathBuf>,
    /// Write tables, differences and figures as one HTML file
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
}

/// Prints the runs side by side, and writes what else was asked for.
pub fn compare(order: &CompareOrder) -> Result<(), Failure> {
    let folder = |run: &PathBuf| folder_of(&WhichRun { run: run.clone(), out: order.results.clone() });
    let folders: Vec<PathBuf> = order.runs.iter().map(folder).collect::<Result<_, _>>()?;
    let how = How { by_unit: order.by_unit, incomparable: order.incomparable };
    let compared = side_by_side(&folders, how)?;
    if let Some(path) = &order.csv {
        write_aside(path, &compared_table(&compared).csv()?)?;
    }
    if let Some(path) = &order.xlsx {
        write_workbook(path, &[compared_table(&compared), differences_table(&compared)])?;
    }
    if let Some(path) = &order.html {
        write_aside(path, &compare_page(&folders, how)?)?;
    }
    if order.json { say_json(&compared) } else { say(&text(&compared)) }
}

fn text(compared: &Comparison) -> String {
    let mut lines = Vec::new();
    if !compared.incomparable.is_empty() {
        lines.push("THESE NUMBERS ARE NOT COMPARABLE; they are side by side by order alone:".into());
        lines.extend(compared.incomparable.iter().map(|reason| format!("  - {reason}")));
        lines.push(String::new());
    }
    for (at, column) in compared.columns.iter().enumerate() {
        let own: Vec<_> = compared.runs.iter().filter(|run| column.runs.contains(&run.run)).collect();
        let invented = if own.iter().any(|run| run.invented) { ", invented" } else { "" };
        let golden = if column.golden { ", known to be good" } else { "" };
        let amplifier = format!("{} {}", column.maker, column.model);
        lines.push(format!(
            "{}: {} ({}{invented}{golden})",
            letter(at),
            column.runs.join(", "),
            amplifier.trim()
        ));
    }
    lines.push(String::new());
    if compared.rows.is_empty() {
        lines.push("none of them has a judged rating".into());
    } else {
        lines.push(claims(compared));
    }
    if !compared.quantities.is_empty() {
        lines.push(String::new());
        lines.push(quantities(compared));
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

fn claims(compared: &Comparison) -> String {
    let mut table = plain_table(&[]);
    table.set_header(std::iter::once("conditions".to_string()).chain(letters(compared)));
    for row in &compared.rows {
        let cells = row.cells.iter().enumerate().map(|(at, cell)| match cell {
            Some(cell) => format!("{}{}", cell_words(cell), differs(row.differences.get(at))),
            None => "-".to_string(),
        });
        table.add_row(std::iter::once(row.conditions()).chain(cells));
    }
    printed(table)
}

fn quantities(compared: &Comparison) -> String {
    let mut table = plain_table(&[]);
    table.set_header(std::iter::once("quantity".to_string()).chain(letters(compared)));
    for row in &compared.quantities {
        let cells = row.cells.iter().enumerate().map(|(at, cell)| match cell {
            Some(cell) => format!("{}{}", quantity_words(cell, &row.unit), differs(row.differences.get(at))),
            None => "-".to_string(),
        });
        let conditions = row.conditions();
        let name = if conditions.is_empty() {
            row.quantity.clone()
        } else {
            format!("{}: {conditions}", row.quantity)
        };
        table.add_row(std::iter::once(name).chain(cells));
    }
    printed(table)
}

fn letters(compared: &Comparison) -> impl Iterator<Item = String> {
    (0..compared.columns.len()).map(letter)
}

fn cell_words(cell: &Cell) -> String {
    let (measured, u) = with_u(cell.measured.unwrap_or(f64::NAN), cell.expanded_u.unwrap_or(f64::NAN));
    let rated = cell.rated.map_or("nothing".into(), |rated| rated.to_string());
    format!("{measured} ± {u} {} of {rated}: {}, {}", cell.unit, cell.verdict, cell.cause)
}

fn quantity_words(cell: &QuantityCell, unit: &str) -> String {
    let spaced = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    match (cell.value, cell.expanded_u) {
        (Some(value), Some(u)) => {
            let (value, u) = with_u(value, u);
            format!("{value} ± {u}{spaced}")
        }
        (Some(value), None) => format!("{}{spaced}", significant(value, 4)),
        (None, _) => format!("not told: {}", cell.note),
    }
}

/// A mark where a difference is more than its U.
fn differs(difference: Option<&Option<Difference>>) -> String {
    match difference {
        Some(Some(one)) if one.significant == Some(true) => {
            let by = if one.by > 0.0 { "more" } else { "less" };
            format!(" (significantly {by} than {})", letter(one.with))
        }
        Some(Some(one)) if one.significant == Some(false) => {
            format!(" (no difference from {} shown)", letter(one.with))
        }
        _ => String::new(),
    }
}
