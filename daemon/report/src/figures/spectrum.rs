//! The spectrum of a capture in dBV (re 1 V rms), frequency on a log scale, with the band's edges and the harmonics marked.

use std::path::Path;

use kuva::plot::LabelStyle;
use wattproof_signal::Settings;
use wattproof_signal::levels::{levels_db, voltage_spectrum};

use super::axis::Axis;
use super::distortion::subtitle;
use super::legend::Sample;
use super::marks::{POINT, marks};
use super::panel::{INNER, Panel};
use super::sheet::{Setting, Sheet};
use super::style::{LIMIT, LIMIT_DASH};
use super::waveform::shot_words;
use crate::ReportError;
use crate::number::significant;
use crate::record::{Recorded, Shot, run_file, shot};

const HEIGHT: f64 = 310.0;
/// How far below the strongest line a picture reaches, dB.
const DEPTH_DB: f64 = 150.0;
/// Lowest level that is told at all, dBV.
const FLOOR_DBV: f64 = -220.0;
/// Harmonics that are marked, from the second on.
const MARKED: usize = 20;
/// A tone over which the lines beside it rise by more than this is lost in noise, dB.
const STANDS_OUT_DB: f64 = 3.0;
/// Distance between the numbers of the levels, dB.
const NUMBERS_DB: f64 = 20.0;
/// Names of harmonics stand no closer than this.
const NAMES_APART: f64 = 22.0;

/// The spectrum of one channel of a step: `step` absent is the last one recorded, `channel` absent the driven one that
/// distorts most. A tone between two lines of the transform reads low by up to 0.83 dB; harmonics are marked at their
/// fitted levels.
///
/// Costs what [`crate::waveform`] does and one transform: some milliseconds for 40,000 samples.
///
/// # Errors
/// As [`crate::waveform`].
pub fn spectrum(folder: &Path, step: Option<u64>, channel: Option<u32>) -> Result<String, ReportError> {
    let run = Recorded::open(folder)?;
    let file = run_file(&run)?;
    let shot = shot(&run, step, channel)?;
    let title = format!("Spectrum – {}", file.amplifier());
    Ok(draw(&shot, &title, &subtitle(run.name(), file.nameplate.invented), Setting::Alone))
}

/// The figure of a capture.
pub(crate) fn draw(shot: &Shot, title: &str, subtitle: &str, setting: Setting) -> String {
    let (of, read) = shot_words(shot);
    let mut sheet = Sheet::new(title, &[&of, &read]);
    let lines = voltage_spectrum(&shot.capture);
    let nyquist_hz = lines.bin_hz * lines.power.len().saturating_sub(1) as f64;
    let band_hz = Settings::default().band_hz;
    let low = (0.5 * band_hz.0).max(lines.bin_hz);
    let ends = if low.is_finite() && low > 0.0 && nyquist_hz > low { (low, nyquist_hz) } else { band_hz };
    let x = Axis { low: ends.0, high: ends.1, log: true };
    let columns = INNER as usize;
    let levels = levels_db(&lines, ends, columns, Some(1.0), FLOOR_DBV);
    let tones = tones(shot);
    let strongest = levels.iter().flatten().copied().chain(tones.iter().map(|tone| tone.dbv));
    let strongest = strongest.filter(|db| db.is_finite()).fold(FLOOR_DBV + DEPTH_DB, f64::max);
    let top_dbv = ((strongest + 8.0) / 10.0).ceil() * 10.0;
    let y = Axis { low: top_dbv - DEPTH_DB, high: top_dbv, log: false };
    let mut panel = Panel::new(x, y, HEIGHT, Some("Frequency, Hz"), "Output voltage, dBV (re 1 V rms)");
    panel.y_step = Some(NUMBERS_DB);
    for edge in [band_hz.0, band_hz.1] {
        if (0.0..=1.0).contains(&x.share(edge)) {
            panel.upright(edge, LIMIT, LIMIT_DASH);
        }
    }
    let middle = |column: usize| x.at((column as f64 + 0.5) / columns as f64);
    let points = levels.iter().enumerate().filter_map(|(column, level)| {
        let db = (*level).filter(|db| db.is_finite())?;
        Some((middle(column), db))
    });
    panel.curve(&points.collect::<Vec<_>>(), 0, 0);
    // What noise is louder than was fitted, but can't be seen.
    let column = |tone: &Tone| (x.share(tone.hz) * columns as f64) as usize;
    let near = |tone: &Tone| {
        let at = column(tone);
        levels.get(at.saturating_sub(1)..(at + 2).min(columns)).unwrap_or_default().iter().flatten()
    };
    let stands_out = |tone: &&Tone| {
        tone.dbv > top_dbv - DEPTH_DB && near(tone).all(|level| *level <= tone.dbv + STANDS_OUT_DB)
    };
    let tones: Vec<&Tone> = tones.iter().filter(stands_out).collect();
    mark(&mut panel, &tones);
    sheet.panel(panel);
    sheet.legend(&entries(band_hz));
    sheet.quiet(subtitle);
    sheet.finish(title, &described(shot, &tones, subtitle), setting)
}

fn entries(band_hz: (f64, f64)) -> [(Sample, String); 3] {
    let tones = "fundamental and harmonics, as fitted, where they stand out";
    [
        (Sample::Line { colour: 0, dash: 0, shape: None }, "strongest line of each column".into()),
        (Sample::Mark { colour: 1, shape: 3 }, tones.into()),
        (Sample::Limit, format!("edges of the band, {} Hz and {} Hz", band_hz.0, band_hz.1)),
    ]
}

/// A fitted tone.
struct Tone {
    order: usize,
    hz: f64,
    dbv: f64,
}

/// The fundamental and the harmonics within the band, as they were fitted.
fn tones(shot: &Shot) -> Vec<Tone> {
    let reading = &shot.channel.reading;
    let Some((hz, vrms)) = reading.fundamental_hz.zip(reading.fundamental_vrms) else { return Vec::new() };
    let fundamental = Tone { order: 1, hz, dbv: 20.0 * vrms.log10() };
    let harmonics = (2..).zip(&reading.harmonics_pct).take(MARKED - 1).map(|(order, pct)| Tone {
        order,
        hz: order as f64 * hz,
        dbv: 20.0 * (vrms * pct / 100.0).log10(),
    });
    std::iter::once(fundamental).chain(harmonics).filter(|tone| tone.dbv.is_finite()).collect()
}

/// A mark at each tone, a name at the strongest that have room for one.
fn mark(panel: &mut Panel, tones: &[&Tone]) {
    let mut by_level: Vec<&&Tone> = tones.iter().collect();
    by_level.sort_by(|a, b| b.dbv.total_cmp(&a.dbv));
    let mut taken: Vec<f64> = Vec::new();
    let mut names = Vec::new();
    for tone in &by_level {
        let at = INNER * panel.x.share(tone.hz);
        let room = taken.iter().all(|other| (other - at).abs() >= NAMES_APART);
        // The library leaves out an empty name.
        names.push(if room { tone.order.to_string() } else { String::new() });
        taken.extend(room.then_some(at));
    }
    let points = by_level.iter().map(|tone| panel.held((tone.hz, tone.dbv))).collect();
    panel.scatter(marks(points, 3, 1, POINT).with_labels(names).with_label_style(LabelStyle::Exact));
}

fn described(shot: &Shot, tones: &[&Tone], subtitle: &str) -> String {
    let tone = |tone: &&Tone| format!("{} Hz {} dBV", significant(tone.hz, 5), significant(tone.dbv, 4));
    let tones: Vec<String> = tones.iter().map(tone).collect();
    let (of, read) = shot_words(shot);
    format!("{of}. {read}. Fundamental and harmonics: {}. {subtitle}.", tones.join(", "))
}
