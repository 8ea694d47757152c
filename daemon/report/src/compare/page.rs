//! Runs side by side as a page of its own.

use std::path::PathBuf;

use askama::Template;

use super::{
    Cell, Column, Comparison, Difference, How, Quantity, QuantityCell, bars, compared, figure, judged,
    letter, sweeps,
};
use crate::figures::Setting;
use crate::number::{significant, with_u};
use crate::page::style;
use crate::{CAUTIONS, ReportError};

#[derive(Template)]
#[template(path = "compare.html")]
struct Page {
    style: String,
    count: usize,
    columns: Vec<Head>,
    incomparable: Vec<String>,
    differences: Vec<String>,
    rows: Vec<Line>,
    quantities: Vec<Line>,
    figures: Vec<String>,
    cautions: String,
}

struct Head {
    letter: String,
    amplifier: String,
    serial: Option<String>,
    invented: bool,
    golden: bool,
    runs: Vec<String>,
}

struct Line {
    what: String,
    conditions: String,
    cells: Vec<Shown>,
}

#[derive(Default)]
struct Shown {
    figure: String,
    verdict_class: &'static str,
    verdict: String,
    /// How it differs.
    differs: String,
    is_significant: bool,
    note: String,
}

/// Runs side by side as one self-contained HTML page.
///
/// Costs for each run what [`crate::compare`] and [`crate::compare_figure`] do.
///
/// # Errors
/// [`ReportError`], as [`crate::compare`].
pub fn compare_page(folders: &[PathBuf], how: How) -> Result<String, ReportError> {
    let sides = judged(folders, how)?;
    let compared = compared(&sides, how);
    let names: Vec<&str> = compared.runs.iter().map(|run| run.run.as_str()).collect();
    let of = names.join(", ");
    let subtitle = figure::subtitle(&sides, &compared);
    let mut figures = vec![figure::draw(&sides, how, &subtitle, Setting::Inside)?];
    figures.extend(bars::draw(&compared, &subtitle, Setting::Inside));
    figures.extend(sweeps::draw(&compared, &subtitle, Setting::Inside));
    let page = Page {
        style: style(),
        count: compared.runs.len(),
        columns: compared
            .columns
            .iter()
            .enumerate()
            .map(|(at, column)| head(&compared, at, column))
            .collect(),
        rows: compared.rows.iter().map(claim_line).collect(),
        quantities: compared.quantities.iter().map(quantity_line).collect(),
        incomparable: compared.incomparable,
        differences: compared.differences,
        figures,
        cautions: CAUTIONS.trim_start_matches("Cautions. ").to_string(),
    };
    page.render().map_err(|source| ReportError::Page { run: of, source })
}

fn head(compared: &Comparison, at: usize, column: &Column) -> Head {
    let own = |name: &String| compared.runs.iter().find(|run| run.run == *name);
    let runs: Vec<_> = column.runs.iter().filter_map(own).collect();
    Head {
        letter: letter(at),
        amplifier: format!("{} {}", column.maker, column.model).trim().to_string(),
        serial: column.serial.clone(),
        invented: runs.iter().any(|run| run.invented),
        golden: column.golden,
        runs: runs
            .iter()
            .map(|run| format!("{}, {}, began {}", run.run, run.script, run.started_utc))
            .collect(),
    }
}

fn claim_line(row: &super::Row) -> Line {
    let cell = |(at, cell): (usize, &Option<Cell>)| match cell {
        None => Shown { figure: "–".into(), ..Shown::default() },
        Some(cell) => {
            let rated = cell.rated.map_or("–".into(), |rated| significant(rated, 6));
            let (verdict_class, sign) = verdict(cell.verdict);
            let (differs, is_significant) = differs(row.differences.get(at), cell.unit);
            Shown {
                figure: figure_words(cell.measured, cell.expanded_u, cell.unit),
                verdict_class,
                verdict: format!("{sign}; rated {rated} {}; {}", cell.unit, cell.cause),
                differs,
                is_significant,
                note: String::new(),
            }
        }
    };
    Line {
        what: String::new(),
        conditions: row.conditions(),
        cells: row.cells.iter().enumerate().map(cell).collect(),
    }
}

fn quantity_line(row: &Quantity) -> Line {
    let cell = |(at, cell): (usize, &Option<QuantityCell>)| match cell {
        None => Shown { figure: "–".into(), ..Shown::default() },
        Some(cell) => {
            let (differs, is_significant) = differs(row.differences.get(at), &row.unit);
            let (verdict_class, verdict) = cell.verdict.map_or(("", ""), verdict);
            let figure = match cell.value {
                Some(_) => figure_words(cell.value, cell.expanded_u, &row.unit),
                None => "not told".into(),
            };
            // Where the row has the conditions, the cell need not say them again.
            let at = if row.at.is_empty() { cell.at.as_str() } else { "" };
            // What all cells of such a row would say stands above the table once.
            let said = row.told_by == super::quantities::ToldBy::Rating && cell.value.is_some();
            let note = if said { "" } else { cell.note.as_str() };
            let words = [at, note].into_iter().filter(|words| !words.is_empty());
            let note = words.collect::<Vec<_>>().join("; ");
            Shown { figure, verdict_class, verdict: verdict.into(), differs, is_significant, note }
        }
    };
    let cells = row.cells.iter().enumerate().map(cell).collect();
    Line { what: row.quantity.clone(), conditions: row.conditions(), cells }
}

fn verdict(verdict: wattproof_method::Verdict) -> (&'static str, &'static str) {
    match verdict {
        wattproof_method::Verdict::Meets => ("meets", "✓ meets"),
        wattproof_method::Verdict::Short => ("short", "✗ short"),
        wattproof_method::Verdict::Undecided => ("undecided", "? undecided"),
    }
}

fn figure_words(value: Option<f64>, u: Option<f64>, unit: &str) -> String {
    let spaced = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    match (value, u) {
        (Some(value), Some(u)) => {
            let (value, u) = with_u(value, u);
            format!("{value}{spaced} ± {u}{spaced}")
        }
        (Some(value), None) => format!("{}{spaced}", significant(value, 4)),
        (None, _) => "–".into(),
    }
}

/// What a difference is worth, in words.
fn differs(difference: Option<&Option<Difference>>, unit: &str) -> (String, bool) {
    let Some(Some(one)) = difference else { return (String::new(), false) };
    let (with, sign) = (letter(one.with), if one.by < 0.0 { "−" } else { "+" });
    let spaced = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    let Some(u) = one.expanded_u else {
        let by = significant(one.by.abs(), 3);
        return (format!("{sign}{by}{spaced} to {with}: U not told"), false);
    };
    let (by, u) = with_u(one.by.abs(), u);
    (format!("{sign}{by} ± {u}{spaced} to {with}: {}", one.words()), one.significant == Some(true))
}
