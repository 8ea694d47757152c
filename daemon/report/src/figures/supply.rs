//! Supply voltage, supply current and heatsink over the time of a run, three panels above each other.

use std::path::Path;

use super::axis::Scale;
use super::distortion::subtitle;
use super::legend::{Sample, legend};
use super::lines::draw_series;
use super::panel::Panel;
use super::svg::{Anchor, Setting, Svg};
use crate::ReportError;
use crate::number::significant;
use crate::record::{Recorded, StepRow, run_file, steps_of};

const WIDTH: f64 = 720.0;
const LEFT: f64 = 62.0;
const RIGHT: f64 = 700.0;
const TOP: f64 = 74.0;
const HEIGHT: f64 = 110.0;
const APART: f64 = 32.0;

struct Series {
    name: &'static str,
    unit: &'static str,
    /// Less than this would show noise as if it were something.
    least_span: f64,
    pick: fn(&StepRow) -> Option<f64>,
}

const SERIES: [Series; 3] = [
    Series { name: "Supply voltage, V", unit: "V", least_span: 0.5, pick: |step| step.supply_v },
    Series { name: "Supply current, A", unit: "A", least_span: 1.0, pick: |step| step.supply_a },
    Series { name: "Heatsink, °C", unit: "°C", least_span: 5.0, pick: |step| step.heatsink_c },
];

/// Supply and heatsink over the time of a run, as far as it is recorded.
///
/// Costs the reading of `run.json` and `steps.csv`: some milliseconds, about 5 ms more for every thousand
/// steps. Long runs are drawn with the extremes of every column, so that no peak is lost.
///
/// # Errors
/// [`ReportError`], when it is no run's folder or one of these files can't be understood.
pub fn supply(folder: &Path) -> Result<String, ReportError> {
    let run = Recorded::open(folder)?;
    let file = run_file(&run)?;
    let title = format!("Supply and heatsink – {}", file.amplifier());
    let steps = steps_of(&run, 0)?;
    Ok(draw(&steps, &title, &subtitle(run.name(), file.nameplate.invented), Setting::Alone))
}

/// The figure of some steps.
pub(crate) fn draw(steps: &[StepRow], title: &str, subtitle: &str, setting: Setting) -> String {
    let mut svg = Svg::new(WIDTH);
    svg.head((LEFT, RIGHT), title, &[subtitle]);
    let times = Scale::linear(steps.iter().map(|step| step.at_s), 1.0, 6.0);
    let (mut top, mut described) = (TOP, vec![format!("{subtitle}.")]);
    for (kind, series) in SERIES.iter().enumerate() {
        let points: Vec<(f64, Option<f64>)> =
            steps.iter().map(|step| (step.at_s, (series.pick)(step).filter(|y| y.is_finite()))).collect();
        let values = || points.iter().filter_map(|(_, y)| *y);
        let set = || steps.iter().map(|step| step.supply_v_set).filter(|_| kind == 0);
        let y = Scale::linear(values().chain(set()), series.least_span, 4.0);
        let panel = Panel { left: LEFT, top, width: RIGHT - LEFT, height: HEIGHT, x: times, y };
        let last = kind + 1 == SERIES.len();
        panel.draw(&mut svg, last.then_some("Time on the bench's clock, s"), series.name, 4.0);
        draw_series(&mut svg, &panel, &points, kind);
        if kind == 0 {
            set_voltage(&mut svg, &panel, steps);
        }
        if values().next().is_none() {
            let middle = (0.5 * (LEFT + RIGHT), top + 0.5 * HEIGHT);
            svg.text(middle, Anchor::Middle, "", "Nothing is recorded.");
        }
        described.push(range(series, values()));
        top += HEIGHT + APART;
    }
    let entries = [(Sample::Limit, "supply voltage as it was set".to_string())];
    let end = legend(&mut svg, LEFT, RIGHT, top - APART + 62.0, &entries);
    svg.finish(end, title, &described.join(" "), setting)
}

/// The voltage that was commanded, in steps.
fn set_voltage(svg: &mut Svg, panel: &Panel, steps: &[StepRow]) {
    let mut begin: Option<&StepRow> = None;
    let mut levels: Vec<(f64, f64, f64)> = Vec::new();
    for step in steps {
        match (begin, levels.last_mut()) {
            (Some(first), Some(level)) if first.supply_v_set == step.supply_v_set => level.1 = step.at_s,
            _ => {
                begin = Some(step);
                levels.push((step.at_s, step.at_s, step.supply_v_set));
            }
        }
    }
    for (from_s, to_s, volts) in levels {
        let (x1, x2) = (panel.x_at(from_s) - 4.0, panel.x_at(to_s) + 4.0);
        let (x1, x2) = (x1.max(panel.left), x2.min(panel.right()));
        svg.line((x1, panel.y_at(volts)), (x2, panel.y_at(volts)), "wp-limit");
    }
}

fn range(series: &Series, values: impl Iterator<Item = f64>) -> String {
    let ends = values.fold(None, |ends: Option<(f64, f64)>, value| {
        let (low, high) = ends.unwrap_or((value, value));
        Some((low.min(value), high.max(value)))
    });
    match ends {
        Some((low, high)) => format!(
            "{}: from {} to {} {}.",
            series.name,
            significant(low, 4),
            significant(high, 4),
            series.unit
        ),
        None => format!("{}: nothing recorded.", series.name),
    }
}
