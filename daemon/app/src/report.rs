//! `wattproof report`: a recorded run as one HTML file, and its figures as files for articles.

use std::path::{Path, PathBuf};

use clap::Args;
use wattproof_report::{ReportError, brief, distortion, report as page_of, spectrum, supply, waveform};
use wattproof_runs::RatingsFile;

use crate::cli::WhichRun;
use crate::failure::Failure;
use crate::run_folder::folder_of;
use crate::say::say;

/// The report's name in a run's folder.
const REPORT_FILE: &str = "report.html";

/// `report`.
#[derive(Args)]
pub struct ReportOrder {
    /// Which run
    #[command(flatten)]
    pub which: WhichRunToReport,
    /// Where to write the report [default: report.html in the run's folder]
    #[arg(long = "out", value_name = "FILE")]
    pub file: Option<PathBuf>,
    /// Write the figures into this folder too, each as an SVG of its own: distortion, supply, and of the capture beside
    /// every ceiling waveform and spectrum
    #[arg(long, value_name = "DIR")]
    pub figures: Option<PathBuf>,
}

/// A run that was recorded, where `--out` is taken for something else.
#[derive(Args)]
pub struct WhichRunToReport {
    /// The run's folder, or its name below the folder of all runs
    pub run: PathBuf,
    /// Folder of all runs
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub results: PathBuf,
}

impl WhichRunToReport {
    /// The folder that is meant.
    pub fn folder(&self) -> Result<PathBuf, Failure> {
        folder_of(&WhichRun { run: self.run.clone(), out: self.results.clone() })
    }
}

/// Writes report and figures, and says where.
pub fn report(order: &ReportOrder) -> Result<(), Failure> {
    let folder = order.which.folder()?;
    let file = order.file.clone().unwrap_or_else(|| folder.join(REPORT_FILE));
    write_aside(&file, &page_of(&folder)?)?;
    let mut written = vec![file];
    if let Some(into) = &order.figures {
        written.extend(figures(&folder, into)?);
    }
    let lines: Vec<String> = written.iter().map(|path| path.display().to_string()).collect();
    say(&lines.join("\n"))
}

/// Every figure of a run as a file; those whose capture is missing are told and left out.
fn figures(folder: &Path, into: &Path) -> Result<Vec<PathBuf>, Failure> {
    std::fs::create_dir_all(into).map_err(|source| Failure::File { path: into.into(), source })?;
    let mut drawn =
        vec![("distortion".to_string(), distortion(folder)?), ("supply".to_string(), supply(folder)?)];
    for (rating, step) in steps_beside_ceilings(folder)? {
        for (name, draw) in [("waveform", waveform as Draw), ("spectrum", spectrum as Draw)] {
            match draw(folder, Some(step), None) {
                Ok(svg) => drawn.push((format!("rating-{rating}-{name}"), svg)),
                Err(error @ ReportError::Capture(_)) => {
                    aside!("wattproof: {name} of step {step}: {error}")
                }
                Err(error) => return Err(error.into()),
            }
        }
    }
    let mut written = Vec::new();
    for (name, svg) in drawn {
        let path = into.join(format!("{name}.svg"));
        write_aside(&path, &svg)?;
        written.push(path);
    }
    Ok(written)
}

type Draw = fn(&Path, Option<u64>, Option<u32>) -> Result<String, ReportError>;

/// Of every judged rating the step nearest its ceiling.
fn steps_beside_ceilings(folder: &Path) -> Result<Vec<(usize, u64)>, Failure> {
    if brief(folder)?.ratings.is_empty() {
        return Ok(Vec::new());
    }
    let file = RatingsFile::read(folder)?;
    let nearest = file.ratings.iter().filter_map(|record| Some((record.rating, record.nearest_step()?)));
    // A rating may have been judged twice: the last counts.
    Ok(nearest.collect::<std::collections::BTreeMap<usize, u64>>().into_iter().collect())
}

/// Writes a text whole or not at all: a link in its place is replaced, not followed.
pub fn write_aside(path: &Path, text: &str) -> Result<(), Failure> {
    use wattproof_runs::{Disk, MachineDisk};
    MachineDisk
        .write_whole(path, text.as_bytes())
        .map_err(|source| Failure::File { path: path.into(), source })
}
