//! A reading as JSON, or as a table for a person.

use std::fmt::Write;
use std::path::Path;

use serde::Serialize;
use wattproof_signal::spectrum::Spectrum;
use wattproof_signal::{Capture, Flag, Reading, Settings, TwoToneReading};

use super::notes::notes;
use super::spectrum::sketch;
use super::two_tone;
use super::wording::{significant, wrapped};
use crate::cli::{MeasureOrder, NoiseWeighting};

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
    pub weighting: NoiseWeighting,
    pub weighted_noise_vrms: Option<f64>,
    pub signal_to_noise_db: Option<f64>,
    pub remarks: Vec<&'static str>,
    /// Null unless the order names two tones.
    pub two_tone: Option<TwoToneReading>,
    /// True if the order chose a weighting, so that the others stay out of the table.
    #[serde(skip)]
    weighting_chosen: bool,
}

/// The noise under a weighting, in the reading's volts.
fn noise_vrms(reading: &Reading, weighting: NoiseWeighting) -> Option<f64> {
    match weighting {
        NoiseWeighting::A => reading.noise_a_vrms,
        NoiseWeighting::Itu468 => reading.noise_468_vrms,
        NoiseWeighting::None => reading.noise_vrms,
    }
}

/// The fundamental's level over a noise, in dB; `None` where either is absent or there is no noise at all.
fn over_noise_db(reading: &Reading, noise_vrms: Option<f64>) -> Option<f64> {
    let (signal, noise) = reading.fundamental_vrms.zip(noise_vrms)?;
    Some(20.0 * (signal / noise).log10()).filter(|db| db.is_finite())
}

/// The flags of what was asked for.
fn flags<'r>(reading: &'r Reading, two_tone: Option<&'r TwoToneReading>) -> &'r [Flag] {
    two_tone.map_or(&reading.flags, |two_tone| &two_tone.flags)
}

impl<'a> Measured<'a> {
    /// `relative` says whether the recording's samples are fractions of full scale. Remarks are those of what was
    /// asked for.
    pub fn new(
        order: &MeasureOrder,
        path: &Path,
        capture: &Capture,
        relative: bool,
        reading: &'a Reading,
        two_tone: Option<TwoToneReading>,
    ) -> Self {
        let weighting = order.weighting.unwrap_or(NoiseWeighting::None);
        let weighted_noise_vrms = noise_vrms(reading, weighting);
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
            weighting,
            weighted_noise_vrms,
            signal_to_noise_db: over_noise_db(reading, weighted_noise_vrms),
            remarks: flags(reading, two_tone.as_ref()).iter().map(Flag::reason).collect(),
            two_tone,
            weighting_chosen: order.weighting.is_some(),
        }
    }

    /// One line of JSON.
    pub fn json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string(self)
    }

    /// Why there are no numbers, or what to know about them.
    pub fn flags(&self) -> &[Flag] {
        flags(self.reading, self.two_tone.as_ref())
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

/// The reading for a person: quantities with their uncertainty, worst harmonics, a sketch of the spectrum.
pub fn table(measured: &Measured, spectrum: &Spectrum, settings: &Settings) -> String {
    let mut text = measured.title();
    text.push('\n');
    for flag in measured.flags() {
        let effect = if flag.refuses() { "refused" } else { "beware" };
        wrapped(&format!("{effect}: {}", flag.reason()), &mut text);
    }
    if measured.two_tone.is_none() {
        for note in notes(measured.reading, measured.sample_rate_hz, settings, measured.volt()) {
            wrapped(&format!("note: {note}"), &mut text);
        }
    }
    if measured.volts_relative || measured.amps_relative {
        text.push_str("  FS = digital full scale; for V, A and W: --volts-full-scale, --amps-full-scale\n");
    }
    let all = match &measured.two_tone {
        Some(two_tone) => two_tone::rows(two_tone, rms(measured.volt())),
        None => rows(measured),
    };
    for (name, value, unit, u) in all {
        let Some(value) = value else { continue };
        let u = u.map_or_else(String::new, |u| format!("  (u {})", significant(u, 2)));
        let row = format!("  {name:<26}{:>14} {unit}{u}", significant(value, 7));
        text.push_str(row.trim_end());
        text.push('\n');
    }
    if let Some(two_tone) = &measured.two_tone {
        two_tone::worst(two_tone, &mut text);
    } else {
        if measured.weighted_noise_vrms.is_none() && !measured.reading.is_refused() {
            text.push_str("  no weighted noise: it takes a record that reaches 20 kHz and lasts 50 ms\n");
        }
        worst(measured.reading, &mut text);
    }
    let loudest_vrms = match &measured.two_tone {
        Some(two_tone) => two_tone.low_vrms.zip(two_tone.high_vrms).map(|(low, high)| low.max(high)),
        None => measured.reading.fundamental_vrms,
    };
    if let Some(sketch) = sketch(spectrum, settings, loudest_vrms) {
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
    let mut rows = vec![
        ("fundamental", r.fundamental_hz, "Hz", r.u.fundamental_hz),
        ("  level", r.fundamental_vrms, rms(v), r.u.fundamental_vrms),
        ("  phase", r.fundamental_phase_deg, "deg", r.u.fundamental_phase_deg),
        ("true rms", r.out_vrms, rms(v), r.u.out_vrms),
        ("peak", r.out_vpk, v, None),
        ("rms within the band", r.band_vrms, rms(v), r.u.band_vrms),
        ("dc", r.dc_v, v, r.u.dc_v),
        ("current, true rms", r.out_irms, rms(a), r.u.out_irms),
        ("current, peak", r.out_apk, a, None),
        ("active power", r.active_w, of("W"), r.u.active_w),
        ("  of the fundamentals", r.fundamental_active_w, of("W"), r.u.fundamental_active_w),
        ("  of all the rest", r.harmonic_active_w, of("W"), None),
        ("apparent power", r.apparent_va, of("VA"), r.u.apparent_va),
        ("  of the fundamentals", r.fundamental_apparent_va, of("VA"), r.u.fundamental_apparent_va),
        ("  of all the rest", r.nonfundamental_va, of("VA"), None),
        ("reactive, fundamentals", r.fundamental_reactive_var, of("var"), r.u.fundamental_reactive_var),
        ("power factor", r.power_factor, "", r.u.power_factor),
        ("  of the fundamentals", r.displacement_power_factor, "", r.u.displacement_power_factor),
        ("phase, lagging positive", r.phase_deg, "deg", r.u.phase_deg),
        ("load, resistance", r.load_ohm_measured, of("ohm"), r.u.load_ohm_measured),
        ("load, reactance", r.load_x_ohm, of("ohm"), r.u.load_x_ohm),
        ("THD", r.thd_pct, "%", r.u.thd_pct),
        ("THD+N", r.thdn_pct, "%", r.u.thdn_pct),
    ];
    rows.extend(noise_rows(measured));
    rows.extend([
        ("hum", r.hum_pct, "%", r.u.hum_pct),
        ("residue above the band", r.residue_vrms, rms(v), r.u.residue_vrms),
        ("crest factor", r.crest_factor, "", None),
        ("flat top", r.flat_top_pct, "%", None),
        ("even harmonics' share", r.even_share, "", None),
        ("droop of the level", droop_db, "dB", None),
    ]);
    rows
}

/// Noise and the level over it: under the weighting chosen, or under every one if none was.
fn noise_rows(measured: &Measured) -> Vec<Row> {
    let (r, v) = (measured.reading, measured.volt());
    let all = [
        (NoiseWeighting::None, "noise", "level over noise", r.u.noise_vrms),
        (NoiseWeighting::A, "noise, A-weighted", "level over it, A-weighted", r.u.noise_a_vrms),
        (NoiseWeighting::Itu468, "noise, BS.468, rms", "level over it, BS.468", r.u.noise_468_vrms),
    ];
    let shown =
        all.into_iter().filter(|(kind, ..)| !measured.weighting_chosen || *kind == measured.weighting);
    let mut rows = Vec::new();
    for (kind, noise, over, u) in shown {
        let vrms = noise_vrms(r, kind);
        rows.push((noise, vrms, rms(v), u));
        if kind == measured.weighting {
            rows.push((over, over_noise_db(r, vrms), "dB", None));
        }
    }
    rows.push(("noise, BS.468, quasi-peak", r.noise_468_qp_v, v, None));
    rows
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
