//! Bars with whiskers, a panel for each set of conditions: how much several devices give at several limits.

use kuva::plot::LinePlot;

use super::axis::Axis;
use super::legend::Sample;
use super::marks::ceiling;
use super::panel::Panel;
use super::sheet::{Setting, Sheet};
use super::style::{FINER, GRID};
use crate::number::{significant, with_u};

/// Height of a row.
const ROW: f64 = 22.0;
const BAR_WIDTH: f64 = 8.0;
/// More rows than this would be a page of their own.
const ROWS_MAX: usize = 36;
/// More panels likewise.
const PANELS_MAX: usize = 6;
/// Where the middle of what is said in place of a bar stands, as a share of the width.
const SAID_AT: f64 = 0.5;

/// The bars of one set of conditions.
pub(crate) struct Bars {
    /// The conditions, in words.
    pub conditions: String,
    /// `W` or `V`.
    pub unit: &'static str,
    pub bars: Vec<Bar>,
}

/// One of them.
pub(crate) struct Bar {
    /// As short as can be.
    pub name: String,
    pub colour: usize,
    /// The value with its expanded uncertainty.
    pub value: Option<(f64, Option<f64>)>,
    /// Why there is none.
    pub why: String,
}

/// The figure of some sets; `names` says which colour is which.
pub(crate) fn draw(sets: &[Bars], names: &[String], title: &str, subtitle: &str, setting: Setting) -> String {
    let mut sheet = Sheet::new(title, &[subtitle]);
    let mut described = vec![format!("{subtitle}.")];
    let mut left = ROWS_MAX;
    let mut shown = 0;
    for set in sets.iter().take(PANELS_MAX) {
        let count = set.bars.len().min(left);
        if count == 0 {
            break;
        }
        left -= count;
        shown += 1;
        let bars = set.bars.get(..count).unwrap_or_default();
        sheet.quiet(&set.conditions);
        sheet.panel(panel(bars, set.unit));
        described.push(words(set, bars));
    }
    if shown < sets.len() {
        let more = sets.len() - shown;
        sheet.quiet(&format!("and {more} more sets of conditions, which the table holds"));
    }
    let mut entries: Vec<(Sample, String)> = names
        .iter()
        .enumerate()
        .map(|(colour, name)| (Sample::Mark { colour, shape: 0 }, name.clone()))
        .collect();
    entries.push((Sample::Ceiling, "whisker: ± U".into()));
    sheet.legend(&entries);
    sheet.finish(title, &described.join(" "), setting)
}

fn panel(bars: &[Bar], unit: &str) -> Panel {
    let rows = bars.len() as f64;
    let ends = bars.iter().filter_map(|bar| bar.value).map(|(value, u)| value + u.unwrap_or(0.0));
    let x = Axis::linear(ends.chain([0.0]), 1e-6, 5);
    // A bar begins at nothing, or its length would say nothing.
    let x = Axis { low: 0.0, ..x };
    let y = Axis { low: 0.5, high: rows + 0.5, log: false };
    let name = if unit == "V" { "Clean output, V rms" } else { "Clean power per channel or bridge, W" };
    let mut panel = Panel::new(x, y, ROW * rows, Some(name), "");
    // The lowest is the library's first.
    panel.rows = Some(bars.iter().rev().map(|bar| bar.name.clone()).collect());
    for (row, bar) in (1u32..).zip(bars.iter().rev()) {
        let y = f64::from(row);
        match bar.value {
            Some((value, u)) => {
                let ends = vec![panel.held((0.0, y)), panel.held((value, y))];
                panel.line(LinePlot::new().with_data(ends).with_color(GRID).with_stroke_width(BAR_WIDTH));
                let at = panel.held((value, y));
                ceiling(at, u.unwrap_or(0.0), x, bar.colour).into_iter().for_each(|mark| panel.scatter(mark));
            }
            None => {
                panel.across(y, FINER, "none");
                panel.note(SAID_AT, y - 0.2, &bar.why);
            }
        }
    }
    panel
}

fn words(set: &Bars, bars: &[Bar]) -> String {
    let one = |bar: &Bar| match bar.value {
        Some((value, Some(u))) => {
            let (value, u) = with_u(value, u);
            format!("{}: {value} ± {u} {}", bar.name, set.unit)
        }
        Some((value, None)) => format!("{}: {} {}", bar.name, significant(value, 4), set.unit),
        None => format!("{}: not told, {}", bar.name, bar.why),
    };
    let all: Vec<String> = bars.iter().map(one).collect();
    format!("{}: {}.", set.conditions, all.join("; "))
}
