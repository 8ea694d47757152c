//! The curves of several runs in one figure: colour and mark tell the run, dash the conditions.

use std::path::PathBuf;

use super::{Side, sides};
use crate::ReportError;
use crate::figures::{Curve, Setting, curves_of, draw_curves};

/// Power against distortion of several runs, overlaid.
///
/// Costs for each run what [`crate::distortion`] does.
///
/// # Errors
/// [`ReportError`], when one is no run's folder or a file of it can't be understood.
pub fn compare_figure(folders: &[PathBuf]) -> Result<String, ReportError> {
    draw(&sides(folders)?, Setting::Alone)
}

pub(crate) fn draw(sides: &[Side], setting: Setting) -> Result<String, ReportError> {
    let mut curves: Vec<Curve> = Vec::new();
    let mut conditions: Vec<String> = Vec::new();
    for (number, side) in sides.iter().enumerate() {
        let named = name(sides, side);
        for mut curve in curves_of(&side.run, &side.file.nameplate, &side.records)? {
            let claim = curve.label.split_once(" into ").map_or(curve.label.clone(), |(_, rest)| rest.into());
            let dash = conditions.iter().position(|known| *known == claim).unwrap_or_else(|| {
                conditions.push(claim.clone());
                conditions.len() - 1
            });
            let rated = curve.rated.map_or(String::new(), |rated| {
                format!(", rated {rated} {}", if curve.in_volts { "V" } else { "W" })
            });
            curve.label = format!("{}: {named}: {claim}{rated}", number + 1);
            curve.row_name = format!("{}: {}", number + 1, curve.row_name);
            (curve.colour, curve.dash) = (number, dash);
            curves.push(curve);
        }
    }
    let invented = sides.iter().filter(|side| side.brief.invented).count();
    let marked = match invented {
        0 => String::new(),
        some if some == sides.len() => "Invented devices, invented claims · ".into(),
        _ => "Some of the devices are invented · ".into(),
    };
    let subtitle = format!("{marked}{} runs", sides.len());
    Ok(draw_curves(&curves, "Distortion of several runs", &subtitle, setting))
}

/// The amplifier where that tells runs apart, else the run.
fn name(sides: &[Side], side: &Side) -> String {
    let same = sides.iter().filter(|other| other.brief.amplifier == side.brief.amplifier).count();
    if same > 1 { side.brief.run.clone() } else { side.brief.amplifier.clone() }
}
