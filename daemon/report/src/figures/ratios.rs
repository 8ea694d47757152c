//! Measured over rated, a row a claim: where a logarithmic axis hides what a verdict turns on.

use super::axis::Scale;
use super::distortion::{Ceiling, Curve};
use super::legend::ceiling_mark;
use super::panel::within;
use super::svg::{Anchor, Svg};

/// Height of a row.
const ROW: f64 = 24.0;
/// Least that is shown on either side of the rating, %.
const SHOWN_PCT: f64 = 5.0;
/// More rows than this would be a page of their own.
const ROWS_MAX: usize = 12;

/// Draws the rows of the answered claims from `top` on; gives where what comes below may begin.
pub(crate) fn ratios(svg: &mut Svg, (left, right): (f64, f64), top: f64, curves: &[Curve]) -> f64 {
    let answered = |curve: &Curve| {
        let (Ceiling { measured, u, .. }, rated) = (curve.ceiling.clone()?, curve.rated?);
        let pct = |value: f64| 100.0 * value / rated;
        Some((curve.colour, curve.row_name.clone(), pct(measured), pct(u)))
    };
    let rows: Vec<_> = curves.iter().filter_map(answered).take(ROWS_MAX).collect();
    if rows.is_empty() {
        return top - 12.0;
    }
    let ends = rows.iter().flat_map(|(.., measured, u)| [measured - u, measured + u]);
    let scale = Scale::linear(ends.chain([100.0 - SHOWN_PCT, 100.0 + SHOWN_PCT]), 0.0, 6.0);
    let x_at = |pct: f64| left + (right - left) * within(scale.share(pct));
    let bottom = top + ROW * rows.len() as f64;
    svg.text((left, top - 7.0), Anchor::Start, "wp-quiet", "Measured over rated, %");
    for tick in scale.ticks(6.0) {
        let x = x_at(tick.value);
        svg.line((x, top), (x, bottom), "wp-grid2");
        svg.text((x, bottom + 17.0), Anchor::Middle, "", &tick.label.unwrap_or_default());
    }
    svg.line((x_at(100.0), top), (x_at(100.0), bottom), "wp-limit");
    svg.add(format_args!(
        "<rect x=\"{left:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{:.1}\" class=\"wp-edge\"/>",
        right - left,
        bottom - top
    ));
    for (index, (colour, name, measured, u)) in rows.iter().enumerate() {
        let y = top + ROW * (index as f64 + 0.5);
        svg.text((left - 8.0, y + 4.5), Anchor::End, "", name);
        ceiling_mark(svg, (x_at(*measured), y), (x_at(measured - u), x_at(measured + u)), *colour);
    }
    bottom + 46.0
}
