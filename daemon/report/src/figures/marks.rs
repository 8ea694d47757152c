//! Lines and marks of a kind, as the drawing library has them.

use kuva::plot::scatter::MarkerShape;
use kuva::plot::{LinePlot, LineStyle, ScatterPlot};

use super::axis::Axis;
use super::style::{DASHES, GROUND, KINDS, colour};

/// Size of the mark of a point.
pub(crate) const POINT: f64 = 3.0;

/// A line through points, in the colour of one kind and the dash of another.
pub(crate) fn line(points: Vec<(f64, f64)>, kind: usize, dash: usize) -> LinePlot {
    let line = LinePlot::new().with_data(points).with_color(colour(kind)).with_stroke_width(1.8);
    match DASHES.get(dash % KINDS) {
        Some(dash) if !dash.is_empty() => line.with_line_style(LineStyle::Custom((*dash).into())),
        _ => line,
    }
}

/// A straight line that is no data.
pub(crate) fn rule(ends: [(f64, f64); 2], colour: &str, dash: &str) -> LinePlot {
    let line = LinePlot::new().with_data(ends).with_color(colour).with_stroke_width(1.3);
    line.with_line_style(LineStyle::Custom(dash.into()))
}

/// Marks at points: the shape of one kind in the colour of another.
pub(crate) fn marks(points: Vec<(f64, f64)>, shape: usize, kind: usize, size: f64) -> ScatterPlot {
    const SHAPES: [MarkerShape; KINDS] = [
        MarkerShape::Circle,
        MarkerShape::Square,
        MarkerShape::Triangle,
        MarkerShape::Diamond,
        MarkerShape::Cross,
        MarkerShape::Plus,
    ];
    let shape = SHAPES.get(shape % KINDS).copied().unwrap_or_default();
    ScatterPlot::new().with_data(points).with_color(colour(kind)).with_size(size).with_marker(shape)
}

/// A measured ceiling: a ring with a dot, and a bar from measured − U to measured + U, held within its axis.
pub(crate) fn ceiling((x, y): (f64, f64), u: f64, axis: Axis, kind: usize) -> [ScatterPlot; 2] {
    let at = axis.held(x);
    let bar = (at - axis.held(x - u), axis.held(x + u) - at);
    let ring = marks(vec![(at, y)], 0, kind, 5.5).with_marker_opacity(0.0).with_marker_stroke_width(1.8);
    [ring.with_x_err_asymmetric([bar]), marks(vec![(at, y)], 0, kind, 2.4)]
}

/// A rated point: an open wedge. The library only fills wedges, so a smaller one in the colour of the ground lies on it.
pub(crate) fn rated(point: (f64, f64), kind: usize) -> [ScatterPlot; 2] {
    let wedge = |size| marks(vec![point], 0, kind, size).with_marker(MarkerShape::TriangleDown);
    [wedge(7.0), wedge(3.6).with_color(GROUND)]
}
