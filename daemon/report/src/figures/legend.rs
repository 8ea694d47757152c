//! What the lines and marks of a figure are, a row each, below it.
//!
//! The library's own legend shows a line or a mark, never a line with its mark and dash. So samples are drawn as what they
//! are samples of, as plots over a panel whose axes are the units of the view box; their places and texts are ours.

use kuva::plot::{LinePlot, ScatterPlot};
use kuva::render::layout::Layout;
use kuva::render::plots::Plot;
use kuva::render::render::{Primitive, TextAnchor, render_multiple};

use super::axis::Axis;
use super::marks::{POINT, ceiling, line, marks, rated, rule};
use super::panel::{LEFT, RIGHT, WIDTH};
use super::style::{LIMIT, LIMIT_DASH, TEXT_SIZE, theme};
use super::xml::drawn_text;

/// Height of a row.
const ROW: f64 = 20.0;
/// Width of a letter, about.
const LETTER: f64 = 6.8;
/// Room for a sample of the line.
const SAMPLE: f64 = 46.0;

/// The kind of a sample.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Sample {
    /// A line with its marks.
    Line { colour: usize, dash: usize, shape: Option<usize> },
    /// A mark alone.
    Mark { colour: usize, shape: usize },
    /// A ceiling with its uncertainty.
    Ceiling,
    /// A rated point.
    Rated,
    /// A distortion limit.
    Limit,
}

/// The rows, and how high they are. Short ones share a row.
pub(crate) fn legend(entries: &[(Sample, String)]) -> (Vec<Primitive>, f64) {
    let (mut x, mut y) = (LEFT, 0.5 * ROW);
    let (mut plots, mut texts) = (Vec::new(), Vec::new());
    for (sample, text) in entries {
        let text = shortened(text, WIDTH - RIGHT - LEFT - SAMPLE);
        let width = SAMPLE + LETTER * text.chars().count() as f64 + 16.0;
        if x > LEFT && x + width > WIDTH - RIGHT {
            (x, y) = (LEFT, y + ROW);
        }
        plots.extend(drawn(*sample, x, -y));
        texts.push(text_at((x + SAMPLE - 6.0, y + 4.5), TextAnchor::Start, &text));
        x += width;
    }
    let height = y + 0.5 * ROW;
    let layout = Layout::new((0.0, WIDTH), (-height, 0.0))
        .with_width(WIDTH)
        .with_height(height)
        .with_force_margins(0.0, 0.0)
        .with_force_margins_y(0.0, 0.0)
        .with_x_axis_min(0.0)
        .with_x_axis_max(WIDTH)
        .with_y_axis_min(-height)
        .with_y_axis_max(0.0)
        .with_theme(theme());
    let inside = render_multiple(plots, layout).elements.into_iter();
    // Without its axes.
    let inside = inside.skip_while(|part| !matches!(part, Primitive::ClipStart { .. })).skip(1);
    let inside = inside.take_while(|part| !matches!(part, Primitive::ClipEnd));
    (inside.chain(texts).collect(), height)
}

/// A text of the usual size.
pub(crate) fn text_at((x, y): (f64, f64), anchor: TextAnchor, text: &str) -> Primitive {
    let content = drawn_text(text);
    Primitive::Text { x, y, content, size: TEXT_SIZE, anchor, rotate: None, bold: false, color: None }
}

/// A text that fits a width, cut where it doesn't.
pub(crate) fn shortened(text: &str, width: f64) -> String {
    let most = (width / LETTER).max(8.0) as usize;
    if text.chars().count() <= most {
        return text.to_string();
    }
    let kept: String = text.chars().take(most - 1).collect();
    format!("{}…", kept.trim_end())
}

fn drawn(sample: Sample, x: f64, y: f64) -> Vec<Plot> {
    let one = |line: LinePlot| vec![Plot::Line(line)];
    let two = |pair: [ScatterPlot; 2]| pair.into_iter().map(Plot::Scatter).collect();
    let middle = (x + 17.0, y);
    let mark = |shape, colour| Plot::Scatter(marks(vec![middle], shape, colour, POINT + 0.2));
    match sample {
        Sample::Line { colour, dash, shape } => {
            let mut plots = one(line(vec![(x, y), (x + 34.0, y)], colour, dash));
            plots.extend(shape.map(|shape| mark(shape, colour)));
            plots
        }
        Sample::Mark { colour, shape } => vec![mark(shape, colour)],
        Sample::Ceiling => two(ceiling(middle, 12.0, Axis { low: 0.0, high: WIDTH, log: false }, 5)),
        Sample::Rated => two(rated(middle, 5)),
        Sample::Limit => one(rule([(x, y), (x + 34.0, y)], LIMIT, LIMIT_DASH)),
    }
}
