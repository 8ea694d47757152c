//! Runs side by side as a page of its own.

use std::path::PathBuf;

use askama::Template;

use super::{Comparison, compared, figure, sides};
use crate::ReportError;
use crate::figures::Setting;
use crate::number::{significant, with_u};
use crate::page::style;

#[derive(Template)]
#[template(path = "compare.html")]
struct Page {
    style: String,
    runs: Vec<Run>,
    differences: Vec<String>,
    rows: Vec<Row>,
    figure: String,
}

struct Run {
    amplifier: String,
    invented: bool,
    name: String,
    began: String,
}

struct Row {
    conditions: String,
    cells: Vec<String>,
}

/// Runs side by side as one self-contained HTML page.
///
/// Costs for each run what [`crate::compare`] and [`crate::compare_figure`] do.
///
/// # Errors
/// [`ReportError`], when one is no run's folder or a file of it can't be understood.
pub fn compare_page(folders: &[PathBuf]) -> Result<String, ReportError> {
    let sides = sides(folders)?;
    let Comparison { runs, differences, rows } = compared(&sides);
    let names: Vec<&str> = runs.iter().map(|run| run.run.as_str()).collect();
    let of = names.join(", ");
    let cell = |cell: &Option<super::Cell>| match cell {
        None => "–".to_string(),
        Some(cell) => {
            let (measured, u) =
                with_u(cell.measured.unwrap_or(f64::NAN), cell.expanded_u.unwrap_or(f64::NAN));
            let (unit, rated) = (cell.unit, cell.rated.map_or("–".into(), |rated| significant(rated, 6)));
            format!("{measured} {unit} ± {u} {unit}; rated {rated} {unit}: {}; {}", cell.verdict, cell.cause)
        }
    };
    let page = Page {
        style: style(),
        figure: figure::draw(&sides, Setting::Inside)?,
        rows: rows
            .iter()
            .map(|row| Row { conditions: row.conditions(), cells: row.cells.iter().map(cell).collect() })
            .collect(),
        differences,
        runs: runs
            .into_iter()
            .map(|run| Run {
                amplifier: run.amplifier,
                invented: run.invented,
                name: run.run,
                began: run.started_utc,
            })
            .collect(),
    };
    page.render().map_err(|source| ReportError::Page { run: of, source })
}
