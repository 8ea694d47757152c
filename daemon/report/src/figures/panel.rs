//! A panel: a frame with two axes, into which lines and marks are drawn.

use super::axis::Scale;
use super::svg::{Anchor, Svg};

/// Numbers along an axis, about.
pub(crate) const STEPS: f64 = 5.0;

/// A frame with its axes, in units of the view box.
#[derive(Debug, Clone)]
pub(crate) struct Panel {
    pub left: f64,
    pub top: f64,
    pub width: f64,
    pub height: f64,
    pub x: Scale,
    pub y: Scale,
}

impl Panel {
    pub fn x_at(&self, value: f64) -> f64 {
        self.left + self.width * within(self.x.share(value))
    }

    pub fn y_at(&self, value: f64) -> f64 {
        self.top + self.height * (1.0 - within(self.y.share(value)))
    }

    pub fn at(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (self.x_at(x), self.y_at(y))
    }

    pub fn right(&self) -> f64 {
        self.left + self.width
    }

    pub fn bottom(&self) -> f64 {
        self.top + self.height
    }

    /// Grid and numbers of both axes, about `steps` of them along y, and the name of y above the panel; the name of x below, where it has one.
    pub fn draw(&self, svg: &mut Svg, x_name: Option<&str>, y_name: &str, steps: f64) {
        for tick in self.y.ticks(steps) {
            let y = self.y_at(tick.value);
            let class = if tick.label.is_some() { "wp-grid2" } else { "wp-grid" };
            svg.line((self.left, y), (self.right(), y), class);
            if let Some(label) = tick.label {
                svg.text((self.left - 6.0, y + 4.5), Anchor::End, "", &label);
            }
        }
        for tick in self.x.ticks(STEPS + 1.0) {
            let x = self.x_at(tick.value);
            let class = if tick.label.is_some() { "wp-grid2" } else { "wp-grid" };
            svg.line((x, self.top), (x, self.bottom()), class);
            if let (Some(label), Some(_)) = (tick.label, x_name) {
                svg.text((x, self.bottom() + 17.0), Anchor::Middle, "", &label);
            }
        }
        svg.add(format_args!(
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" class=\"wp-edge\"/>",
            self.left, self.top, self.width, self.height
        ));
        svg.text((self.left, self.top - 7.0), Anchor::Start, "wp-quiet", y_name);
        if let Some(name) = x_name {
            svg.text((self.left + 0.5 * self.width, self.bottom() + 36.0), Anchor::Middle, "wp-quiet", name);
        }
    }
}

/// A share held within the panel; what is no number lies at its low end.
pub(crate) fn within(share: f64) -> f64 {
    if share.is_nan() { 0.0 } else { share.clamp(0.0, 1.0) }
}
