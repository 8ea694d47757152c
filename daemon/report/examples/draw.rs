//! Draws every figure of runs into a folder, to be looked at: `cargo run -p wattproof-report --example draw INTO RUN [RUN]`.

use std::path::{Path, PathBuf};

use wattproof_report::{
    How, Overlay, ReportError, compare_figure, distortion, report, spectrum, supply, waveform,
};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folders: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let Some((into, runs)) = folders.split_first().filter(|(_, runs)| !runs.is_empty()) else {
        return Err("give a folder to draw into and the folder of a run".into());
    };
    std::fs::create_dir_all(into)?;
    for (number, run) in (1..).zip(runs) {
        let figures = [
            ("distortion", distortion(run)),
            ("supply", supply(run)),
            ("waveform", at_some_step(run, waveform)),
            ("spectrum", at_some_step(run, spectrum)),
        ];
        for (name, figure) in figures {
            match figure {
                Ok(svg) => std::fs::write(into.join(format!("{number}-{name}.svg")), svg)?,
                Err(error) => println!("{name}: {error}"),
            }
        }
        std::fs::write(into.join(format!("{number}-report.html")), report(run)?)?;
    }
    let how = How { incomparable: true, ..How::default() };
    for (name, overlay) in
        [("compare", Overlay::Distortion), ("bars", Overlay::Bars), ("sweeps", Overlay::Sweeps)]
    {
        match compare_figure(&[runs, runs].concat(), how, overlay) {
            Ok(svg) => std::fs::write(into.join(format!("{name}.svg")), svg)?,
            Err(error) => eprintln!("{error}"),
        }
    }
    Ok(())
}

/// A figure of one channel of a step.
type OfAStep = fn(&Path, Option<u64>, Option<u32>) -> Result<String, ReportError>;

/// The figure of the first step whose capture is there.
fn at_some_step(run: &Path, draw: OfAStep) -> Result<String, ReportError> {
    let last = draw(run, None, None);
    (1..=9).map(|step| draw(run, Some(step), None)).find(Result::is_ok).unwrap_or(last)
}
