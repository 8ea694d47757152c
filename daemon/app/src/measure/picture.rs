//! A reading as a picture (SVG 1.1): a few cycles of the waveform, and the spectrum with the band's edges and
//! the harmonics marked.

use std::fmt::Write;

use wattproof_report::xml_text;
use wattproof_signal::spectrum::Spectrum;
use wattproof_signal::{Capture, Settings};

use super::report::Measured;
use super::spectrum::{FLOOR_DB, hz_label, levels_db, span_hz};
use super::wording::significant;

const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 700.0;
/// Cycles of the waveform that are shown.
const CYCLES: f64 = 4.0;
/// Points drawn at most per line.
const POINTS: usize = 1600;
const VOLTS: &str = "#1b4f8a";
const AMPS: &str = "#b3541e";
const FAINT: &str = "#d5d5d0";

/// A panel's place on the page, in SVG units.
struct Frame {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
}

const WAVE: Frame = Frame { left: 80.0, top: 70.0, width: 740.0, height: 230.0 };
const LINES: Frame = Frame { left: 80.0, top: 360.0, width: 740.0, height: 280.0 };

impl Frame {
    fn x(&self, share: f64) -> f64 {
        self.left + self.width * share.clamp(0.0, 1.0)
    }

    /// From the bottom up.
    fn y(&self, share: f64) -> f64 {
        self.top + self.height * (1.0 - share.clamp(0.0, 1.0))
    }
}

/// The picture as a whole file.
pub fn draw(measured: &Measured, capture: &Capture, spectrum: &Spectrum, settings: &Settings) -> String {
    let mut page = Page(String::new());
    page.add(format_args!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" \
         font-family=\"sans-serif\" font-size=\"13\" fill=\"#222\">"
    ));
    page.add(format_args!("<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#fff\"/>"));
    page.text((WAVE.left, 28.0), "start", &measured.title());
    page.text((WAVE.left, 48.0), "start", &summary(measured));
    waveform(&mut page, measured, capture);
    spectrum_panel(&mut page, measured, spectrum, settings);
    page.add(format_args!("</svg>"));
    page.0
}

fn summary(measured: &Measured) -> String {
    let reading = measured.reading;
    if let Some(flag) = measured.flags().iter().find(|flag| flag.refuses()) {
        return format!("no reading: {}", flag.reason());
    }
    let rms = ("rms ", reading.out_vrms, if measured.volts_relative { " FS" } else { " V" });
    let values = match &measured.two_tone {
        Some(two_tone) => [
            ("", two_tone.low_hz, " Hz"),
            ("", two_tone.high_hz, " Hz"),
            ("intermodulation ", two_tone.imd_pct, " %"),
            rms,
        ],
        None => [
            ("", reading.fundamental_hz, " Hz"),
            ("THD ", reading.thd_pct, " %"),
            ("THD+N ", reading.thdn_pct, " %"),
            rms,
        ],
    };
    let told = values.iter().filter_map(|(name, value, unit)| {
        value.map(|value| format!("{name}{}{unit}", significant(value, 5)))
    });
    told.collect::<Vec<_>>().join(", ")
}

struct Page(String);

impl Page {
    fn add(&mut self, what: std::fmt::Arguments) {
        // Writing to a string can't fail.
        let _ = writeln!(self.0, "{what}");
    }

    fn text(&mut self, (x, y): (f64, f64), anchor: &str, text: &str) {
        let text = xml_text(text);
        self.add(format_args!("<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{text}</text>"));
    }

    fn line(&mut self, from: (f64, f64), to: (f64, f64), style: &str) {
        let ((x1, y1), (x2, y2)) = (from, to);
        self.add(format_args!("<line x1=\"{x1:.1}\" y1=\"{y1:.1}\" x2=\"{x2:.1}\" y2=\"{y2:.1}\" {style}/>"));
    }

    fn curve(&mut self, points: &[(f64, f64)], colour: &str) {
        let mut list = String::new();
        for (x, y) in points {
            let _ = write!(list, "{x:.1},{y:.1} ");
        }
        self.add(format_args!(
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"1.3\"/>",
            list.trim_end()
        ));
    }

    fn outline(&mut self, frame: &Frame) {
        self.add(format_args!(
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"none\" stroke=\"#888\"/>",
            frame.left, frame.top, frame.width, frame.height
        ));
    }
}

fn waveform(page: &mut Page, measured: &Measured, capture: &Capture) {
    let cycles = measured.reading.fundamental_hz.map(|hz| (CYCLES * capture.fs_hz / hz).ceil() as usize + 1);
    let shown = cycles.unwrap_or(1000).clamp(2, POINTS.max(2) * 64).min(capture.volts.len());
    page.line((WAVE.left, WAVE.y(0.5)), (WAVE.x(1.0), WAVE.y(0.5)), &format!("stroke=\"{FAINT}\""));
    let ampere = if measured.amps_relative { "FS" } else { "A" };
    let volt = if measured.volts_relative { "FS" } else { "V" };
    let channels = [
        (Some(&capture.volts), VOLTS, volt, WAVE.left - 6.0, "end"),
        (capture.amps.as_ref(), AMPS, ampere, WAVE.x(1.0) + 6.0, "start"),
    ];
    for (samples, colour, unit, x, anchor) in channels {
        let Some(samples) = samples.and_then(|samples| samples.get(..shown)) else { continue };
        let most = samples.iter().filter(|s| s.is_finite()).fold(0.0_f64, |most, s| most.max(s.abs()));
        let scale = if most > 0.0 { most * 1.05 } else { 1.0 };
        let every = shown.div_ceil(POINTS).max(1);
        let whole = (shown.saturating_sub(1)).max(1) as f64;
        let points: Vec<_> = samples
            .iter()
            .enumerate()
            .step_by(every)
            .filter(|(_, s)| s.is_finite())
            .map(|(n, s)| (WAVE.x(n as f64 / whole), WAVE.y(0.5 + 0.5 * s / scale)))
            .collect();
        page.curve(&points, colour);
        page.text((x, WAVE.top + 12.0), anchor, &format!("{} {unit}", significant(scale, 3)));
        page.text((x, WAVE.y(0.0)), anchor, &format!("-{} {unit}", significant(scale, 3)));
    }
    page.outline(&WAVE);
    let length_ms = 1e3 * shown.saturating_sub(1) as f64 / capture.fs_hz;
    page.text((WAVE.left, WAVE.y(0.0) + 18.0), "middle", "0");
    page.text((WAVE.x(1.0), WAVE.y(0.0) + 18.0), "middle", &format!("{} ms", significant(length_ms, 4)));
}

fn spectrum_panel(page: &mut Page, measured: &Measured, spectrum: &Spectrum, settings: &Settings) {
    let top_db = 10.0;
    let height = |db: f64| (db - FLOOR_DB) / (top_db - FLOOR_DB);
    for step in 0..=8 {
        let db = -20.0 * f64::from(step);
        let y = LINES.y(height(db));
        page.line((LINES.left, y), (LINES.x(1.0), y), &format!("stroke=\"{FAINT}\""));
        page.text((LINES.left - 6.0, y + 4.0), "end", &format!("{db:.0} dB"));
    }
    if let Some((low, high)) = span_hz(spectrum, settings) {
        let share = |hz: f64| (hz / low).ln() / (high / low).ln();
        for decade in -1..7 {
            let hz = 10_f64.powi(decade);
            if hz > low && hz < high {
                let x = LINES.x(share(hz));
                page.line((x, LINES.top), (x, LINES.y(0.0)), &format!("stroke=\"{FAINT}\""));
                page.text((x, LINES.y(0.0) + 18.0), "middle", &hz_label(hz));
            }
        }
        let columns = LINES.width as usize;
        let levels = levels_db(spectrum, (low, high), columns, measured.reading.fundamental_vrms);
        let points = levels.iter().enumerate().filter_map(|(column, level)| {
            level.map(|db| (LINES.x((column as f64 + 0.5) / columns as f64), LINES.y(height(db))))
        });
        page.curve(&points.collect::<Vec<_>>(), VOLTS);
        for edge in [settings.band_hz.0, settings.band_hz.1] {
            if edge > low && edge < high {
                let x = LINES.x(share(edge));
                page.line((x, LINES.top), (x, LINES.y(0.0)), "stroke=\"#555\" stroke-dasharray=\"5 4\"");
            }
        }
        harmonics(page, measured, (low, high), height);
    }
    page.outline(&LINES);
    page.text(
        (LINES.left, LINES.y(0.0) + 40.0),
        "start",
        "dB of the fundamental; dashed: edges of the band; rings: harmonics",
    );
}

/// A ring at each harmonic's fitted level.
fn harmonics(page: &mut Page, measured: &Measured, (low, high): (f64, f64), height: impl Fn(f64) -> f64) {
    let Some(fundamental_hz) = measured.reading.fundamental_hz else { return };
    for (index, pct) in measured.reading.harmonics_pct.iter().enumerate() {
        let hz = fundamental_hz * (index as f64 + 2.0);
        let db = 20.0 * (pct / 100.0).log10();
        if hz > low && hz < high && db > FLOOR_DB {
            let x = LINES.x((hz / low).ln() / (high / low).ln());
            let y = LINES.y(height(db));
            page.add(format_args!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"none\" stroke=\"{AMPS}\"/>"
            ));
        }
    }
}
