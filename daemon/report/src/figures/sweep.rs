//! Clean output over what a sweep changes: supply voltage, load or frequency, a panel each.

use super::axis::Axis;
use super::legend::Sample;
use super::marks::{POINT, marks};
use super::panel::Panel;
use super::sheet::{Setting, Sheet};
use crate::number::significant;

const HEIGHT: f64 = 210.0;

/// What a sweep changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Over {
    Supply,
    Load,
    Frequency,
}

impl Over {
    fn name(self) -> &'static str {
        match self {
            Over::Supply => "Supply voltage, V",
            Over::Load => "Load, ohm",
            Over::Frequency => "Frequency, Hz",
        }
    }
}

/// A line of a panel.
pub(crate) struct SweepLine {
    pub label: String,
    pub colour: usize,
    /// The conditions that it shares with lines of the same dash.
    pub dash: usize,
    /// What was changed, the output, its expanded uncertainty; in order of the first.
    pub points: Vec<(f64, f64, Option<f64>)>,
}

/// A panel.
pub(crate) struct Swept {
    pub over: Over,
    pub unit: &'static str,
    pub lines: Vec<SweepLine>,
}

/// The figure of some sweeps.
pub(crate) fn draw(sweeps: &[Swept], title: &str, subtitle: &str, setting: Setting) -> String {
    let mut sheet = Sheet::new(title, &[subtitle]);
    let mut described = vec![format!("{subtitle}.")];
    for sweep in sweeps {
        sheet.panel(panel(sweep));
        let entry = |line: &SweepLine| {
            let sample = Sample::Line { colour: line.colour, dash: line.dash, shape: Some(line.colour) };
            (sample, line.label.clone())
        };
        let entries: Vec<_> = sweep.lines.iter().map(entry).collect();
        sheet.legend(&entries);
        described.extend(sweep.lines.iter().map(|line| words(sweep, line)));
    }
    sheet.finish(title, &described.join(" "), setting)
}

fn panel(sweep: &Swept) -> Panel {
    let points = || sweep.lines.iter().flat_map(|line| line.points.iter());
    let x = match sweep.over {
        Over::Supply => Axis::linear(points().map(|(x, ..)| *x), 1.0, 5),
        Over::Load | Over::Frequency => Axis::log(points().map(|(x, ..)| *x)),
    };
    let y = Axis::linear(points().map(|(_, y, u)| y + u.unwrap_or(0.0)).chain([0.0]), 1e-6, 5);
    let y = Axis { low: 0.0, ..y };
    let y_name = if sweep.unit == "W" { "Clean power, W" } else { "Clean output, V rms" };
    let mut panel = Panel::new(x, y, HEIGHT, Some(sweep.over.name()), y_name);
    for line in &sweep.lines {
        let plain: Vec<(f64, f64)> = line.points.iter().map(|(x, y, _)| (*x, *y)).collect();
        panel.curve(&plain, line.colour, line.dash);
        for (x, y, u) in &line.points {
            let at = panel.held((*x, *y));
            let u = u.unwrap_or(0.0);
            let bar = (at.1 - panel.y.held(y - u), panel.y.held(y + u) - at.1);
            let mark = marks(vec![at], line.colour, line.colour, POINT);
            panel.scatter(mark.with_y_err_asymmetric([bar]));
        }
    }
    panel
}

fn words(sweep: &Swept, line: &SweepLine) -> String {
    let point =
        |(x, y, _): &(f64, f64, Option<f64>)| format!("{} at {}", significant(*y, 4), significant(*x, 4));
    let all: Vec<String> = line.points.iter().map(point).collect();
    format!("{} over {}, {}: {}.", line.label, sweep.over.name(), sweep.unit, all.join(", "))
}
