//! `wattproof measure`: readings of recordings, whoever made them.

mod notes;
mod picture;
mod report;
mod spectrum;
mod two_tone;
mod wording;

use std::fs::File;
use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};
use wattproof_recordings::{Choice, RecordingError, Wanted};
use wattproof_signal::{Capture, Flag, Settings, levels, read, read_two_tone};

use crate::cli::MeasureOrder;
use crate::failure::Failure;
use crate::say::say;
use report::Measured;

/// Measures every file, prints each result as soon as it is there, and fails at the end if any file did.
pub fn measure(order: &MeasureOrder) -> Result<(), Failure> {
    if let [path] = order.files.as_slice() {
        let told = measure_one(order, 0, path)?;
        say(&told.text)?;
        return told.fault.map_or(Ok(()), |fault| Err(Failure::Said(fault)));
    }
    let progress = Progress::new(order.files.len());
    let mut failed = 0;
    for (index, path) in order.files.iter().enumerate() {
        progress.begin(index, path);
        match measure_one(order, index, path) {
            Ok(told) => {
                progress.aside(|| say(&told.text))?;
                if let Some(fault) = told.fault {
                    failed += 1;
                    progress.aside(|| aside!("wattproof: {fault}"));
                }
            }
            Err(failure) => {
                failed += 1;
                progress.aside(|| aside!("wattproof: {failure}"));
            }
        }
    }
    progress.end();
    match failed {
        0 => Ok(()),
        _ => Err(Failure::Said(format!("{failed} of {} recordings gave no reading", order.files.len()))),
    }
}

/// What is to be said of a file: its result, and why it holds no numbers if it holds none.
struct Told {
    text: String,
    fault: Option<String>,
}

fn measure_one(order: &MeasureOrder, index: usize, path: &Path) -> Result<Told, Failure> {
    let settings = settings(order);
    let (capture, relative) =
        capture(order, path).map_err(|source| Failure::Recording { path: path.to_path_buf(), source })?;
    let reading = read(&capture, &settings);
    let two_tone =
        order.two_tones.map(|tones_hz| read_two_tone(&capture, &two_tone::settings(tones_hz, order.band)));
    let measured = Measured::new(order, path, &capture, relative, &reading, two_tone);
    let lines = levels::voltage_spectrum(&capture);
    if let Some(plot) = &order.plot {
        let target = plot_path(plot, index, order.files.len());
        let drawn = picture::draw(&measured, &capture, &lines, &settings);
        std::fs::write(&target, drawn).map_err(|source| Failure::File { path: target, source })?;
    }
    let text = if order.json {
        measured.json().map_err(|error| Failure::Said(format!("{}: {error}", path.display())))?
    } else {
        report::table(&measured, &lines, &settings)
    };
    // One line a file: the first reason; the others stand in the result.
    let refusal: Option<&Flag> = measured.flags().iter().find(|flag| flag.refuses());
    let fault = refusal.map(|flag| format!("{}: no reading: {}", path.display(), flag.reason()));
    Ok(Told { text, fault })
}

fn settings(order: &MeasureOrder) -> Settings {
    Settings {
        expected_hz: order.hz,
        band_hz: order.band,
        mains_hz: order.mains_hz,
        harmonics_max: order.harmonics,
        quasi_peak: order.quasi_peak,
    }
}

/// The capture in a file, and whether its samples are fractions of full scale.
fn capture(order: &MeasureOrder, path: &Path) -> Result<(Capture, bool), RecordingError> {
    let choice = Choice {
        volts_channel: order.volts_channel,
        amps_channel: order.amps_channel(),
        volts_full_scale: order.volts_full_scale,
        amps_full_scale: order.amps_full_scale,
    };
    let picked = [Some(choice.volts_channel), choice.amps_channel];
    let wanted = Wanted {
        channels: picked.into_iter().flatten().map(|channel| channel.saturating_sub(1)).collect(),
        skip_s: order.skip,
        length_s: order.seconds,
    };
    let file = File::open(path).map_err(RecordingError::Unreadable)?;
    let recording = wattproof_recordings::read(std::io::BufReader::new(file), &wanted)?;
    Ok((choice.capture(&recording)?, recording.relative))
}

/// The file itself for one recording; for many, numbered in their order.
fn plot_path(plot: &Path, index: usize, files: usize) -> PathBuf {
    if files == 1 {
        return plot.to_path_buf();
    }
    let stem = plot.file_stem().unwrap_or_default().to_string_lossy();
    let end = plot.extension().map_or_else(String::new, |end| format!(".{}", end.to_string_lossy()));
    plot.with_file_name(format!("{stem}-{}{end}", index + 1))
}

/// A bar on a terminal, a line a file elsewhere.
struct Progress {
    bar: ProgressBar,
    files: usize,
}

impl Progress {
    fn new(files: usize) -> Self {
        let bar = ProgressBar::new(files as u64);
        // A template that did not parse would leave the plain bar, which still counts.
        let style = ProgressStyle::with_template("{wide_bar} {pos}/{len} files, {eta} left\n{wide_msg}");
        if let Ok(style) = style {
            bar.set_style(style);
        }
        Self { bar, files }
    }

    fn begin(&self, index: usize, path: &Path) {
        self.bar.set_position(index as u64);
        self.bar.set_message(path.display().to_string());
        if self.bar.is_hidden() {
            aside!("[{} of {}] {}", index + 1, self.files, path.display());
        }
    }

    /// Prints while the bar is out of the way.
    fn aside<T>(&self, print: impl FnOnce() -> T) -> T {
        self.bar.suspend(print)
    }

    fn end(&self) {
        self.bar.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_plots_are_numbered() {
        // Project definition.
        assert_eq!(plot_path(Path::new("a/b.svg"), 0, 1), Path::new("a/b.svg"));
        assert_eq!(plot_path(Path::new("a/b.svg"), 1, 2), Path::new("a/b-2.svg"));
        assert_eq!(plot_path(Path::new("b"), 0, 2), Path::new("b-1"));
    }
}
