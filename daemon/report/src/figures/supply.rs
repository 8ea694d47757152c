//! Supply voltage, supply current and heatsink over the time of a run, three panels above each other.

use std::path::Path;

use super::axis::Axis;
use super::distortion::subtitle;
use super::legend::Sample;
use super::marks::{marks, rule};
use super::panel::{INNER, Panel};
use super::sheet::{Setting, Sheet};
use super::style::{LIMIT, LIMIT_DASH};
use super::thin::thinned;
use crate::ReportError;
use crate::number::significant;
use crate::record::{Recorded, StepRow, run_file, steps_of};

const HEIGHT: f64 = 125.0;
/// Numbers along an axis, about.
const NUMBERS: usize = 4;
/// More points than this have no marks of their own.
const MARKED_MAX: usize = 80;
/// How far what was set reaches beyond its first and last step, as a share of the width.
const BEYOND: f64 = 0.006;

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
    let mut sheet = Sheet::new(title, &[subtitle]);
    let times = Axis::linear(steps.iter().map(|step| step.at_s), 1.0, NUMBERS);
    let mut described = vec![format!("{subtitle}.")];
    for (kind, series) in SERIES.iter().enumerate() {
        let points: Vec<(f64, Option<f64>)> =
            steps.iter().map(|step| (step.at_s, (series.pick)(step).filter(|y| y.is_finite()))).collect();
        let values = || points.iter().filter_map(|(_, y)| *y);
        let set = || steps.iter().map(|step| step.supply_v_set).filter(|_| kind == 0);
        let y = Axis::linear(values().chain(set()), series.least_span, NUMBERS);
        let last = kind + 1 == SERIES.len();
        let x_name = last.then_some("Time on the bench's clock, s");
        let mut panel = Panel::new(times, y, HEIGHT, x_name, series.name);
        panel.numbers = NUMBERS;
        draw_series(&mut panel, &points, kind);
        if kind == 0 {
            set_voltage(&mut panel, steps);
        }
        if values().next().is_none() {
            panel.note(0.5, y.at(0.5), "Nothing is recorded.");
        }
        described.push(range(series, values()));
        sheet.panel(panel);
    }
    sheet.legend(&[(Sample::Limit, "supply voltage as it was set".to_string())]);
    sheet.finish(title, &described.join(" "), setting)
}

/// Draws values that may be absent, with breaks where they are; what stands alone between two gaps is a mark.
fn draw_series(panel: &mut Panel, points: &[(f64, Option<f64>)], kind: usize) {
    let marked = points.len() <= MARKED_MAX;
    for piece in points.split(|(_, y)| y.is_none()) {
        let whole = piece.iter().filter_map(|(x, y)| Some((*x, (*y)?)));
        let thin = thinned(whole, (panel.x.low, panel.x.high), INNER as usize);
        panel.curve(&thin, kind, kind);
        if marked || thin.len() == 1 {
            let thin = thin.into_iter().map(|point| panel.held(point)).collect();
            panel.scatter(marks(thin, kind, kind, 2.4));
        }
    }
}

/// The voltage that was commanded, in steps.
fn set_voltage(panel: &mut Panel, steps: &[StepRow]) {
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
    let beyond = BEYOND * (panel.x.high - panel.x.low);
    for (from_s, to_s, volts) in levels.into_iter().filter(|(.., volts)| volts.is_finite()) {
        let ends = [panel.held((from_s - beyond, volts)), panel.held((to_s + beyond, volts))];
        panel.line(rule(ends, LIMIT, LIMIT_DASH));
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
