//! Measured over rated, a row a claim: where a logarithmic axis hides what a verdict turns on.

use super::axis::Axis;
use super::distortion::{Ceiling, Curve};
use super::marks::ceiling;
use super::panel::Panel;
use super::style::{FINER, LIMIT, LIMIT_DASH};

/// Height of a row.
const ROW: f64 = 24.0;
/// Least that is shown on either side of the rating, %.
const SHOWN_PCT: f64 = 5.0;
/// More rows than this would be a page of their own.
const ROWS_MAX: usize = 12;

/// The rows of the answered claims, where there are any.
pub(crate) fn ratios(curves: &[Curve]) -> Option<Panel> {
    let answered = |curve: &Curve| {
        let (Ceiling { measured, u, .. }, rated) = (curve.ceiling.clone()?, curve.rated?);
        let pct = |value: f64| 100.0 * value / rated;
        Some((curve.colour, curve.row_name.clone(), pct(measured), pct(u)))
    };
    let mut rows: Vec<_> = curves.iter().filter_map(answered).take(ROWS_MAX).collect();
    // The lowest is the library's first.
    rows.reverse();
    let count = rows.len() as f64;
    let ends = rows.iter().flat_map(|(.., measured, u)| [measured - u, measured + u]);
    let x = Axis::linear(ends.chain([100.0 - SHOWN_PCT, 100.0 + SHOWN_PCT]), 0.0, 5);
    let y = Axis { low: 0.5, high: count + 0.5, log: false };
    let mut panel =
        (!rows.is_empty()).then(|| Panel::new(x, y, ROW * count, Some("Measured over rated, %"), ""))?;
    panel.rows = Some(rows.iter().map(|(_, name, ..)| name.clone()).collect());
    for row in 1..=rows.len() {
        panel.across(row as f64, FINER, "none");
    }
    panel.upright(100.0, LIMIT, LIMIT_DASH);
    for (row, (colour, _, measured, u)) in (1u32..).zip(rows) {
        ceiling((measured, f64::from(row)), u, x, colour).into_iter().for_each(|mark| panel.scatter(mark));
    }
    Some(panel)
}
