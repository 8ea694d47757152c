//! `curve.csv`: the power curves of the ratings judged so far; and what `ratings.csv` says was left out.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::folder::{Recorded, cell_text};
use crate::ReportError;

/// What a point of a curve is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Point {
    Measured,
    Ceiling,
    Rated,
}

/// A point of a power curve.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct CurvePoint {
    pub rating: usize,
    pub point: Point,
    pub level_vrms: Option<f64>,
    pub active_w: Option<f64>,
    pub thdn_pct: Option<f64>,
    pub thd_pct: Option<f64>,
    #[serde(default)]
    pub out_vrms: Option<f64>,
}

/// All of them, in the order of the file.
pub(crate) fn curve(run: &Recorded) -> Result<Vec<CurvePoint>, ReportError> {
    run.rows("curve.csv")
}

/// Efficiency nearest the ceiling of each rating, %, as judged last.
pub(crate) fn efficiencies(run: &Recorded) -> Result<BTreeMap<usize, f64>, ReportError> {
    let rows: Vec<RatingRow> = run.rows("ratings.csv")?;
    Ok(rows.into_iter().filter_map(|row| Some((row.rating, row.efficiency_pct?))).collect())
}

/// A rating that was left out.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LeftOut {
    pub rating: usize,
    pub why: String,
}

#[derive(Deserialize)]
struct RatingRow {
    rating: usize,
    #[serde(default)]
    efficiency_pct: Option<f64>,
    #[serde(default)]
    not_measured: String,
}

/// The ratings that were left out, each with its reason.
pub(crate) fn left_out(run: &Recorded) -> Result<Vec<LeftOut>, ReportError> {
    let rows: Vec<RatingRow> = run.rows("ratings.csv")?;
    let left_out = rows.into_iter().filter(|row| !row.not_measured.is_empty());
    Ok(left_out.map(|row| LeftOut { rating: row.rating, why: cell_text(&row.not_measured).into() }).collect())
}
