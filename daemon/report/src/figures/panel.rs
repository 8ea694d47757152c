//! A panel: a frame with two axes, handed to the drawing library.

use std::sync::Arc;

use kuva::plot::{LinePlot, ScatterPlot};
use kuva::render::annotations::TextAnnotation;
use kuva::render::layout::{AxisLabelOverlap, Layout, TickFormat};
use kuva::render::plots::Plot;
use kuva::render::render::{Primitive, render_multiple};

use super::axis::Axis;
use super::marks::{line, rule};
use super::style::{FINER, TEXT_SIZE, theme};
use super::xml::drawn_text;
use crate::number::significant;

/// Width of a figure, in units of its view box.
pub(crate) const WIDTH: f64 = 720.0;
pub(crate) const LEFT: f64 = 70.0;
pub(crate) const RIGHT: f64 = 20.0;
/// Width of what lies between the axes.
pub(crate) const INNER: f64 = WIDTH - LEFT - RIGHT;
/// Room below a panel with and without numbers and a name.
const BELOW: (f64, f64) = (46.0, 10.0);
/// Room above.
pub(crate) const ABOVE: f64 = 10.0;

/// A panel being filled.
pub(crate) struct Panel {
    pub x: Axis,
    pub y: Axis,
    pub height: f64,
    /// Without one, the panel below has the numbers.
    pub x_name: Option<&'static str>,
    pub y_name: &'static str,
    /// Numbers along an axis, about.
    pub numbers: usize,
    /// Distance between the numbers of y, where it is not left to the library.
    pub y_step: Option<f64>,
    /// Names of rows in place of numbers along y, the lowest at 1.
    pub rows: Option<Vec<String>>,
    plots: Vec<Plot>,
    notes: Vec<TextAnnotation>,
}

impl Panel {
    pub fn new(x: Axis, y: Axis, height: f64, x_name: Option<&'static str>, y_name: &'static str) -> Self {
        let mut panel = Panel {
            x,
            y,
            height,
            x_name,
            y_name,
            numbers: 5,
            y_step: None,
            rows: None,
            plots: Vec::new(),
            notes: Vec::new(),
        };
        // The library divides both axes alike, so finer lines of a logarithmic one are drawn as lines.
        for value in x.finer() {
            panel.line(rule([(value, y.low), (value, y.high)], FINER, "none").with_stroke_width(0.7));
        }
        for value in y.finer() {
            panel.line(rule([(x.low, value), (x.high, value)], FINER, "none").with_stroke_width(0.7));
        }
        panel
    }

    pub fn line(&mut self, line: LinePlot) {
        self.plots.push(Plot::Line(line));
    }

    pub fn scatter(&mut self, scatter: ScatterPlot) {
        self.plots.push(Plot::Scatter(scatter));
    }

    /// A point held within the frame.
    pub fn held(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (self.x.held(x), self.y.held(y))
    }

    /// A line across, or up and down, at a value.
    pub fn across(&mut self, y: f64, colour: &str, dash: &str) {
        let y = self.y.held(y);
        self.line(rule([(self.x.low, y), (self.x.high, y)], colour, dash));
    }

    pub fn upright(&mut self, x: f64, colour: &str, dash: &str) {
        let x = self.x.held(x);
        self.line(rule([(x, self.y.low), (x, self.y.high)], colour, dash));
    }

    /// Text whose middle stands at a share of the width, above a value.
    pub fn note(&mut self, share: f64, y: f64, text: &str) {
        let at = (self.x.at(share), self.y.held(y));
        self.notes.push(TextAnnotation::new(drawn_text(text), at.0, at.1).with_font_size(TEXT_SIZE));
    }

    /// A curve of a kind.
    pub fn curve(&mut self, points: &[(f64, f64)], colour: usize, dash: usize) {
        let points: Vec<_> = points.iter().map(|point| self.held(*point)).collect();
        self.line(line(points, colour, dash));
    }

    fn layout(&mut self) -> Layout {
        let below = if self.x_name.is_some() { BELOW.0 } else { BELOW.1 };
        let mut layout = Layout::new((self.x.low, self.x.high), (self.y.low, self.y.high))
            .with_width(WIDTH)
            .with_height(ABOVE + self.height + below)
            .with_force_margins(LEFT, RIGHT)
            .with_force_margins_y(ABOVE, below)
            .with_x_axis_min(self.x.low)
            .with_x_axis_max(self.x.high)
            .with_y_axis_min(self.y.low)
            .with_y_axis_max(self.y.high)
            .with_ticks(self.numbers)
            .with_box_axes()
            .with_theme(theme())
            .with_tick_size(TEXT_SIZE)
            .with_label_size(TEXT_SIZE)
            .with_body_size(TEXT_SIZE)
            .with_x_label_overlap(AxisLabelOverlap::Thin);
        if !self.y_name.is_empty() {
            layout = layout.with_y_label(self.y_name);
        }
        match self.x_name {
            Some(name) => layout = layout.with_x_label(name),
            None => layout.suppress_x_ticks = true,
        }
        let plain = || TickFormat::Custom(Arc::new(|value| significant(value, 3)));
        if self.x.log {
            layout = layout.with_log_x().with_x_tick_format(plain());
        }
        if self.y.log {
            layout = layout.with_log_y().with_y_tick_format(plain());
        }
        if let Some(step) = self.y_step {
            layout = layout.with_y_tick_step(step);
        }
        if let Some(rows) = self.rows.take() {
            layout = layout.with_y_categories(rows.iter().map(|row| drawn_text(row)).collect());
        }
        std::mem::take(&mut self.notes).into_iter().fold(layout, Layout::with_annotation)
    }

    /// What is drawn, and how high it is.
    pub fn drawn(mut self) -> (Vec<Primitive>, f64) {
        let layout = self.layout();
        let scene = render_multiple(self.plots, layout);
        (without_clips(scene.elements), scene.height)
    }
}

/// Clips are named by a counter of the process: a page would hold a name twice, and no figure would come out twice the
/// same. All that is drawn is held within its frame before, so nothing needs them.
pub(crate) fn without_clips(elements: Vec<Primitive>) -> Vec<Primitive> {
    let clip = |part: &Primitive| matches!(part, Primitive::ClipStart { .. } | Primitive::ClipEnd);
    elements.into_iter().filter(|part| !clip(part)).collect()
}
