//! What the lines and marks of a figure are, a row each, below it.

use super::svg::{Anchor, Svg};

/// Height of a row.
const ROW: f64 = 20.0;
/// Width of a letter, about.
const LETTER: f64 = 6.6;
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

/// Draws the rows from `top` on; gives where they end. Short ones share a row.
pub(crate) fn legend(svg: &mut Svg, left: f64, right: f64, top: f64, entries: &[(Sample, String)]) -> f64 {
    let (mut x, mut y) = (left, top);
    for (sample, text) in entries {
        let text = shortened(text, right - left - SAMPLE);
        let width = SAMPLE + LETTER * text.chars().count() as f64 + 16.0;
        if x > left && x + width > right {
            (x, y) = (left, y + ROW);
        }
        draw(svg, *sample, x, y - 4.5);
        svg.text((x + SAMPLE - 6.0, y), Anchor::Start, "", &text);
        x += width;
    }
    y + ROW
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

fn draw(svg: &mut Svg, sample: Sample, x: f64, y: f64) {
    match sample {
        Sample::Line { colour, dash, shape } => {
            svg.path(&[(x, y), (x + 34.0, y)], colour, dash);
            if let Some(shape) = shape {
                svg.mark((x + 17.0, y), shape, colour, 3.2);
            }
        }
        Sample::Mark { colour, shape } => svg.mark((x + 17.0, y), shape, colour, 3.2),
        Sample::Ceiling => ceiling_mark(svg, (x + 17.0, y), (x + 5.0, x + 29.0), 5),
        Sample::Rated => rated_mark(svg, (x + 17.0, y + 5.0), 5),
        Sample::Limit => svg.line((x, y), (x + 34.0, y), "wp-limit"),
    }
}

/// A measured ceiling: a ring with a dot, and a bar from measured − U to measured + U.
pub(crate) fn ceiling_mark(svg: &mut Svg, (x, y): (f64, f64), (low, high): (f64, f64), colour: usize) {
    let c = colour % super::style::KINDS;
    svg.add(format_args!(
        "<path d=\"M{low:.1} {y:.1}H{high:.1}M{low:.1} {:.1}v10M{high:.1} {:.1}v10\" class=\"wp-bar wp-k{c}\"/>",
        y - 5.0,
        y - 5.0
    ));
    svg.add(format_args!("<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5.5\" class=\"wp-open wp-k{c}\"/>"));
    svg.add(format_args!(
        "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.4\" class=\"wp-mark wp-k{c} wp-f{c}\"/>"
    ));
}

/// A rated point: an open wedge that stands on it.
pub(crate) fn rated_mark(svg: &mut Svg, (x, y): (f64, f64), colour: usize) {
    let c = colour % super::style::KINDS;
    svg.add(format_args!("<path d=\"M{x:.1} {y:.1}l-6 -11h12Z\" class=\"wp-open wp-k{c}\"/>"));
}
