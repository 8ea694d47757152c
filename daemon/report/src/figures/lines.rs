//! Values over time or frequency as lines: breaks where a value is missing.

use super::panel::Panel;
use super::svg::Svg;
use super::thin::thinned;

/// More points than this have no marks of their own.
const MARKED_MAX: usize = 80;

/// Draws values that may be absent; what stands alone between two gaps is a mark.
pub(crate) fn draw_series(svg: &mut Svg, panel: &Panel, points: &[(f64, Option<f64>)], kind: usize) {
    let (low, high) = panel.x.ends();
    let columns = panel.width as usize;
    let marked = points.len() <= MARKED_MAX;
    for piece in points.split(|(_, y)| y.is_none()) {
        let whole = piece.iter().filter_map(|(x, y)| Some((*x, (*y)?)));
        let thin: Vec<(f64, f64)> =
            thinned(whole, (low, high), columns).into_iter().map(|point| panel.at(point)).collect();
        svg.path(&thin, kind, kind);
        if marked || thin.len() == 1 {
            for point in thin {
                svg.mark(point, kind, kind, 2.4);
            }
        }
    }
}
