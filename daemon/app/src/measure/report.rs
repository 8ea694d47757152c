//! A reading as JSON, or as a table for a person.

use std::fmt::Write;
use std::path::Path;

use serde::Serialize;
use wattproof_signal::spectrum::Spectrum;
use wattproof_signal::{Capture, Reading, Settings};

use super::spectrum::sketch;
use crate::cli::MeasureOrder;

/// Harmonics listed in the table.
const WORST: usize = 8;

/// The result of one file. Its fields and their order are the JSON schema in `daemon/recordings/README.md`.
#[derive(Serialize)]
pub struct Measured<'a> {
    pub file: String,
    pub channel: usize,
    pub amps_channel: Option<usize>,
    pub sample_rate_hz: f64,
    pub samples: usize,
    pub duration_s: Option<f64>,
    pub volts_full_scale: Option<f64>,
    pub amps_full_scale: Option<f64>,
    /// True if voltages are fractions of digital full scale, for want of what that is in volts.
    pub volts_relative: bool,
    /// The same of currents.
    pub amps_relative: bool,
    #[serde(flatten)]
    pub reading: &'a Reading,
}

impl<'a> Measured<'a> {
    /// `relative` says whether the recording's samples are fractions of full scale.
    pub fn new(
        order: &MeasureOrder,
        path: &Path,
        capture: &Capture,
        relative: bool,
        reading: &'a Reading,
    ) -> Self {
        Self {
            file: path.display().to_string(),
            channel: order.volts_channel,
            amps_channel: order.amps_channel(),
            sample_rate_hz: capture.fs_hz,
            samples: capture.volts.len(),
            duration_s: capture.duration_s(),
            volts_full_scale: order.volts_full_scale,
            amps_full_scale: order.amps_full_scale,
            volts_relative: relative && order.volts_full_scale.is_none(),
            amps_relative: relative && order.amps_channel().is_some() && order.amps_full_scale.is_none(),
            reading,
        }
    }

    /// One line of JSON.
    pub fn json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string(self)
    }

    fn volt(&self) -> &'static str {
        if self.volts_relative { "FS" } else { "V" }
    }

    fn ampere(&self) -> &'static str {
        if self.amps_relative { "FS" } else { "A" }
    }

    /// Where and how long, in a line.
    pub fn title(&self) -> String {
        let amps = self.amps_channel.map_or_else(String::new, |channel| format!(", current on {channel}"));
        format!(
            "{}, channel {}{amps}: {} samples at {} Hz, {} s",
            self.file,
            self.channel,
            self.samples,
            significant(self.sample_rate_hz, 9),
            self.duration_s.map_or_else(|| "-".into(), |duration| significant(duration, 6)),
        )
    }
}

/// A number with so many significant digits, without trailing zeros; an exponent where it would grow long.
pub fn significant(value: f64, digits: usize) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let magnitude = value.abs().log10().floor() as i32;
    if !(-4..=9).contains(&magnitude) {
        return format!("{value:.*e}", digits.saturating_sub(1));
    }
    let decimals = (digits as i32 - 1 - magnitude).max(0) as usize;
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// The reading for a person: quantities with their uncertainty, worst harmonics, a sketch of the spectrum.
pub fn table(measured: &Measured, spectrum: &Spectrum, settings: &Settings) -> String {
    let mut text = measured.title();
    text.push('\n');
    for flag in &measured.reading.flags {
        let effect = if flag.refuses() { "refused" } else { "beware" };
        // Writing to a string can't fail.
        let _ = writeln!(text, "  {effect}: {}", flag.reason());
    }
    if measured.volts_relative || measured.amps_relative {
        text.push_str(
            "  FS = digital full scale; give --volts-full-scale and --amps-full-scale for V, A, W\n",
        );
    }
    for (name, value, unit, u) in rows(measured) {
        let Some(value) = value else { continue };
        let _ = write!(text, "  {name:<26}{:>14} {unit}", significant(value, 7));
        if let Some(u) = u {
            let _ = write!(text, "  (u {})", significant(u, 2));
        }
        text.push('\n');
    }
    worst(measured.reading, &mut text);
    if let Some(sketch) = sketch(spectrum, settings, measured.reading.fundamental_vrms) {
        text.push_str(&sketch);
        text.push('\n');
    }
    text
}

type Row = (&'static str, Option<f64>, &'static str, Option<f64>);

/// Names, values, units, standard uncertainties.
fn rows(measured: &Measured) -> Vec<Row> {
    let (r, v, a) = (measured.reading, measured.volt(), measured.ampere());
    let physical = !measured.volts_relative && !measured.amps_relative;
    let of = |physical_unit| if physical { physical_unit } else { "(relative)" };
    let droop_db = r.envelope.as_ref().and_then(|envelope| envelope.droop_db);
    vec![
        ("fundamental", r.fundamental_hz, "Hz", None),
        ("  level", r.fundamental_vrms, rms(v), r.u.fundamental_vrms),
        ("  phase", r.fundamental_phase_deg, "deg", None),
        ("true rms", r.out_vrms, rms(v), r.u.out_vrms),
        ("peak", r.out_vpk, v, None),
        ("rms within the band", r.band_vrms, rms(v), None),
        ("dc", r.dc_v, v, None),
        ("current, true rms", r.out_irms, rms(a), None),
        ("current, peak", r.out_apk, a, None),
        ("active power", r.active_w, of("W"), r.u.active_w),
        ("apparent power", r.apparent_va, of("VA"), None),
        ("power factor", r.power_factor, "", None),
        ("phase, lagging positive", r.phase_deg, "deg", None),
        ("load, resistance", r.load_ohm_measured, of("ohm"), None),
        ("load, reactance", r.load_x_ohm, of("ohm"), None),
        ("THD", r.thd_pct, "%", None),
        ("THD+N", r.thdn_pct, "%", r.u.thdn_pct),
        ("noise", r.noise_vrms, rms(v), None),
        ("noise, A-weighted", r.noise_a_vrms, rms(v), None),
        ("noise, BS.468, rms", r.noise_468_vrms, rms(v), None),
        ("noise, BS.468, quasi-peak", r.noise_468_qp_v, v, None),
        ("hum", r.hum_pct, "%", None),
        ("residue above the band", r.residue_vrms, rms(v), None),
        ("crest factor", r.crest_factor, "", None),
        ("flat top", r.flat_top_pct, "%", None),
        ("even harmonics' share", r.even_share, "", None),
        ("droop of the level", droop_db, "dB", None),
    ]
}

fn rms(unit: &'static str) -> &'static str {
    match unit {
        "V" => "V rms",
        "A" => "A rms",
        _ => "FS rms",
    }
}

/// The strongest harmonics, in percent and dB of the fundamental.
fn worst(reading: &Reading, text: &mut String) {
    let mut harmonics: Vec<(usize, f64)> = reading.harmonics_pct.iter().copied().enumerate().collect();
    harmonics.sort_by(|a, b| b.1.total_cmp(&a.1));
    harmonics.truncate(WORST);
    if harmonics.is_empty() {
        return;
    }
    text.push_str("  worst harmonics\n");
    for (index, pct) in harmonics {
        let db = 20.0 * (pct / 100.0).log10();
        let hz = reading.fundamental_hz.map(|hz| hz * (index as f64 + 2.0));
        let hz = hz.map_or_else(|| "-".into(), |hz| significant(hz, 7));
        let _ = writeln!(text, "  {:>5}. {hz:>12} Hz {:>14} % {db:>9.2} dB", index + 2, significant(pct, 5));
    }
}

#[cfg(test)]
mod tests {
    use super::significant;

    #[test]
    fn numbers_keep_their_significant_digits() {
        // Place value; no outside source.
        let numbers = [
            (1234.5678, 6, "1234.57"),
            (0.00123456, 3, "0.00123"),
            (100.0, 7, "100"),
            (-2.5, 7, "-2.5"),
            (1.234e-7, 3, "1.23e-7"),
            (0.0, 3, "0"),
        ];
        for (value, digits, expected) in numbers {
            assert_eq!(significant(value, digits), expected);
        }
    }
}
