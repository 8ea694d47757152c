//! The spectrum of a capture in dBV (re 1 V rms), frequency on a log scale, with the band's edges and the harmonics marked.

use std::path::Path;

use wattproof_signal::Settings;
use wattproof_signal::levels::{levels_db, voltage_spectrum};

use super::axis::Scale;
use super::distortion::subtitle;
use super::legend::{Sample, legend};
use super::panel::Panel;
use super::svg::{Anchor, Setting, Svg};
use super::waveform::{head, shot_words};
use crate::ReportError;
use crate::number::significant;
use crate::record::{Recorded, Shot, run_file, shot};

const WIDTH: f64 = 720.0;
const LEFT: f64 = 62.0;
const RIGHT: f64 = 700.0;
const TOP: f64 = 94.0;
const HEIGHT: f64 = 310.0;
/// How far below the strongest line a picture reaches, dB.
const DEPTH_DB: f64 = 150.0;
/// Lowest level that is told at all, dBV.
const FLOOR_DBV: f64 = -220.0;
/// Harmonics that are marked, from the second on.
const MARKED: usize = 20;
/// A tone over which the lines beside it rise by more than this is lost in noise, dB.
const STANDS_OUT_DB: f64 = 3.0;
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
    let mut svg = Svg::new(WIDTH);
    head(&mut svg, shot, title);
    let lines = voltage_spectrum(&shot.capture);
    let nyquist_hz = lines.bin_hz * lines.power.len().saturating_sub(1) as f64;
    let band_hz = Settings::default().band_hz;
    let low = (0.5 * band_hz.0).max(lines.bin_hz);
    let x = if low.is_finite() && low > 0.0 && nyquist_hz > low {
        Scale::Log { low, high: nyquist_hz }
    } else {
        Scale::Log { low: band_hz.0, high: band_hz.1 }
    };
    let width = RIGHT - LEFT;
    let columns = width as usize;
    let levels = levels_db(&lines, x.ends(), columns, Some(1.0), FLOOR_DBV);
    let tones = tones(shot);
    let strongest = levels.iter().flatten().copied().chain(tones.iter().map(|tone| tone.dbv));
    let strongest = strongest.filter(|db| db.is_finite()).fold(FLOOR_DBV + DEPTH_DB, f64::max);
    let top_dbv = ((strongest + 8.0) / 10.0).ceil() * 10.0;
    let y = Scale::Linear { low: top_dbv - DEPTH_DB, high: top_dbv };
    let panel = Panel { left: LEFT, top: TOP, width, height: HEIGHT, x, y };
    panel.draw(&mut svg, Some("Frequency, Hz"), "Output voltage, dBV (re 1 V rms)", 8.0);
    for edge in [band_hz.0, band_hz.1] {
        if (0.0..=1.0).contains(&x.share(edge)) {
            let at = panel.x_at(edge);
            svg.line((at, panel.top), (at, panel.bottom()), "wp-limit");
        }
    }
    let points = levels.iter().enumerate().filter_map(|(column, level)| {
        let db = (*level).filter(|db| db.is_finite())?;
        Some((panel.left + column as f64 + 0.5, panel.y_at(db)))
    });
    svg.path(&points.collect::<Vec<_>>(), 0, 0);
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
    mark(&mut svg, &panel, &tones);
    let entries = [
        (Sample::Line { colour: 0, dash: 0, shape: None }, "strongest line of each column".to_string()),
        (
            Sample::Mark { colour: 1, shape: 3 },
            "fundamental and harmonics, as fitted, where they stand out".to_string(),
        ),
        (Sample::Limit, format!("edges of the band, {} Hz and {} Hz", band_hz.0, band_hz.1)),
    ];
    let end = legend(&mut svg, LEFT, RIGHT, panel.bottom() + 60.0, &entries);
    svg.text((LEFT, end), Anchor::Start, "wp-quiet", subtitle);
    svg.finish(end + 14.0, title, &described(shot, &tones, subtitle), setting)
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
fn mark(svg: &mut Svg, panel: &Panel, tones: &[&Tone]) {
    for tone in tones {
        svg.mark(panel.at((tone.hz, tone.dbv)), 3, 1, 3.2);
    }
    let mut by_level: Vec<&&Tone> = tones.iter().collect();
    by_level.sort_by(|a, b| b.dbv.total_cmp(&a.dbv));
    let mut taken: Vec<f64> = Vec::new();
    for tone in by_level {
        let (x, y) = panel.at((tone.hz, tone.dbv));
        if taken.iter().all(|other| (other - x).abs() >= NAMES_APART) {
            svg.text((x, y - 8.0), Anchor::Middle, "", &tone.order.to_string());
            taken.push(x);
        }
    }
}

fn described(shot: &Shot, tones: &[&Tone], subtitle: &str) -> String {
    let tone = |tone: &&Tone| format!("{} Hz {} dBV", significant(tone.hz, 5), significant(tone.dbv, 4));
    let tones: Vec<String> = tones.iter().map(tone).collect();
    let (of, read) = shot_words(shot);
    format!("{of}. {read}. Fundamental and harmonics: {}. {subtitle}.", tones.join(", "))
}
