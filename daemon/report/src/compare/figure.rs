//! The figures of several runs: colour and mark tell the column, dash the conditions.

use std::path::PathBuf;

use super::{Comparison, How, Side, bars, column, compared, judged, letter, sweeps};
use crate::ReportError;
use crate::figures::{Curve, Setting, curves_of, draw_curves};

/// Which figure of a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Overlay {
    /// Power against distortion.
    Distortion,
    /// Clean output at three limits.
    Bars,
    /// Clean output over supply voltage, load and frequency.
    Sweeps,
}

/// A figure of several runs, overlaid.
///
/// Costs for each run what [`crate::distortion`] does.
///
/// # Errors
/// [`ReportError`], as [`crate::compare`]; [`ReportError::NothingToDraw`].
pub fn compare_figure(folders: &[PathBuf], how: How, overlay: Overlay) -> Result<String, ReportError> {
    let sides = judged(folders, how)?;
    let compared = compared(&sides, how);
    let subtitle = subtitle(&sides, &compared);
    let nothing = |what| ReportError::NothingToDraw { what };
    match overlay {
        Overlay::Distortion => draw(&sides, how, &subtitle, Setting::Alone),
        Overlay::Bars => bars::draw(&compared, &subtitle, Setting::Alone)
            .ok_or(nothing("none of these runs has a judged rating, whose curve tells clean output")),
        Overlay::Sweeps => sweeps::draw(&compared, &subtitle, Setting::Alone).ok_or(nothing(
            "none of these runs states clean power at several supply voltages, loads or frequencies",
        )),
    }
}

/// What stands below a title: how many, whether invented, and whether they can be compared at all.
pub(crate) fn subtitle(sides: &[Side], compared: &Comparison) -> String {
    let invented = sides.iter().filter(|side| side.brief.invented).count();
    let marked = match invented {
        0 => String::new(),
        some if some == sides.len() => "Invented devices, invented claims · ".into(),
        _ => "Some of the devices are invented · ".into(),
    };
    let loud = if compared.incomparable.is_empty() { "" } else { "NOT COMPARABLE · " };
    format!("{loud}{marked}{} runs", sides.len())
}

pub(crate) fn draw(
    sides: &[Side],
    how: How,
    subtitle: &str,
    setting: Setting,
) -> Result<String, ReportError> {
    let mut curves: Vec<Curve> = Vec::new();
    let mut conditions: Vec<String> = Vec::new();
    for (number, group) in column::groups(sides, how.by_unit).iter().enumerate() {
        for side in group.iter().filter_map(|index| sides.get(*index)) {
            let named = name(sides, side);
            for mut curve in curves_of(&side.run, &side.file.nameplate, &side.records)? {
                let claim =
                    curve.label.split_once(" into ").map_or(curve.label.clone(), |(_, rest)| rest.into());
                let dash = conditions.iter().position(|known| *known == claim).unwrap_or_else(|| {
                    conditions.push(claim.clone());
                    conditions.len() - 1
                });
                let rated = curve.rated.map_or(String::new(), |rated| {
                    format!(", rated {rated} {}", if curve.in_volts { "V" } else { "W" })
                });
                curve.label = format!("{}: {named}: {claim}{rated}", letter(number));
                curve.row_name = format!("{}: {}", letter(number), curve.row_name);
                (curve.colour, curve.dash) = (number, dash);
                curves.push(curve);
            }
        }
    }
    Ok(draw_curves(&curves, "Distortion of several runs", subtitle, setting))
}

/// The amplifier where that tells runs apart, else the run.
fn name(sides: &[Side], side: &Side) -> String {
    let same = sides.iter().filter(|other| other.brief.amplifier == side.brief.amplifier).count();
    if same > 1 { side.brief.run.clone() } else { side.brief.amplifier.clone() }
}
