//! What each call costs on a run's folder: `cargo run --release -p wattproof-report --example costs RUN`.

use std::path::PathBuf;
use std::time::Instant;

use wattproof_report::{
    How, Overlay, ReportError, brief, compare, compare_figure, distortion, report, spectrum, steps, supply,
    waveform,
};

/// Times each is called; the quickest counts.
const TIMES: usize = 5;

fn main() -> Result<(), ReportError> {
    let folders: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let Some(run) = folders.first() else {
        eprintln!("give the folder of a run");
        return Ok(());
    };
    let last = steps(run, 0)?.last().map_or(0, |step| step.step);
    told("brief", || brief(run).map(|_| 0))?;
    told("steps, all", || steps(run, 0).map(|steps| steps.len()))?;
    told("steps, the last", || steps(run, last.saturating_sub(1)).map(|steps| steps.len()))?;
    told("distortion", || distortion(run).map(|svg| svg.len()))?;
    told("supply", || supply(run).map(|svg| svg.len()))?;
    told("waveform of the last", || waveform(run, None, None).map(|svg| svg.len()))?;
    told("spectrum of the last", || spectrum(run, None, None).map(|svg| svg.len()))?;
    let all_the_same = How { incomparable: true, ..How::default() };
    let twice = [run.clone(), run.clone()];
    told("compare", || compare(&twice, all_the_same).map(|told| told.rows.len()))?;
    told("compare_figure", || {
        compare_figure(&twice, all_the_same, Overlay::Distortion).map(|svg| svg.len())
    })?;
    told("compare_figure, bars", || {
        compare_figure(&twice, all_the_same, Overlay::Bars).map(|svg| svg.len())
    })?;
    told("report", || report(run).map(|page| page.len()))
}

/// Prints the shortest time of a call and how much came out.
fn told(name: &str, call: impl Fn() -> Result<usize, ReportError>) -> Result<(), ReportError> {
    let (mut shortest_ms, mut size) = (f64::INFINITY, 0);
    for _ in 0..TIMES {
        let began = Instant::now();
        match call() {
            Ok(found) => size = found,
            // A run may lack captures; the other figures are told all the same.
            Err(error @ ReportError::Capture(_)) => {
                println!("{name:<22} {error}");
                return Ok(());
            }
            Err(error) => return Err(error),
        }
        shortest_ms = shortest_ms.min(1e3 * began.elapsed().as_secs_f64());
    }
    println!("{name:<22} {shortest_ms:>8.1} ms   {size}");
    Ok(())
}
