//! The one question this room answers: what does this capture say?

use crate::analysis::{Analysis, Surveys, analyse};
use crate::capture::Capture;
use crate::current;
use crate::drift::drifts;
use crate::flags::Flag;
use crate::lobes::at_start;
use crate::quasi_peak::quasi_peak;
use crate::reader::with_tools;
use crate::reading::{Reading, decibels, finite};
use crate::scatter::{self, Noise};
use crate::series::series;
use crate::settings::Settings;
use crate::shape::{flat_top_pct, series_peak};
use crate::survey::Survey;

/// Fewer samples per cycle than this, and the record's own samples may straddle the peak.
const DENSE_SAMPLES_PER_CYCLE: f64 = 32.0;

/// Reads one capture. Never panics and never fails: what can't be told is `None`, and flags say why.
///
/// Windows, transforms' plans and room to work in are kept by the calling thread for the next capture of the same
/// length, and given up for lengths that are no longer met.
pub fn read(capture: &Capture, settings: &Settings) -> Reading {
    let surveys =
        Surveys { volts: Survey::new(&capture.volts), amps: capture.amps.as_deref().map(Survey::new) };
    let mut flags = unusable(capture, settings, surveys);
    if capture.touches_full_scale() {
        flags.push(Flag::AdcOverrange);
    }
    if flags.iter().any(Flag::refuses) {
        return Reading::refused(flags);
    }
    with_tools(capture.volts.len(), |tools, room| match analyse(capture, settings, surveys, tools, room) {
        Ok(analysis) => {
            let mut reading = report(capture, settings, surveys, &analysis, flags);
            if reading.thdn_pct.is_some_and(|pct| drifts(&analysis.blocks, pct / 100.0)) {
                reading.flags.push(Flag::FrequencyDrift);
            }
            room.residual = analysis.volts.residual;
            reading
        }
        Err(flag) => {
            flags.insert(0, flag);
            Reading::refused(flags)
        }
    })
}

/// Flags that the samples earn by themselves, before any signal is looked for.
pub(crate) fn unusable(capture: &Capture, settings: &Settings, surveys: Surveys) -> Vec<Flag> {
    let mut flags = Vec::new();
    let positive = |x: f64| x.is_finite() && x > 0.0;
    let (low, high) = settings.band_hz;
    let settings_ok = low.is_finite() && low >= 0.0 && high > low && positive(settings.mains_hz);
    let expected_ok = settings.expected_hz.is_none_or(positive);
    let samples_ok = surveys.volts.usable && surveys.amps.is_none_or(|survey| survey.usable);
    if !samples_ok || !positive(capture.fs_hz) || !settings_ok || !expected_ok {
        flags.push(Flag::InvalidSamples);
    }
    let amps = capture.amps.as_deref();
    if capture.volts.is_empty() || amps.is_some_and(|amps| amps.len() != capture.volts.len()) {
        flags.push(Flag::MissingSamples);
    }
    flags
}

fn report(
    capture: &Capture,
    settings: &Settings,
    surveys: Surveys,
    analysis: &Analysis,
    flags: Vec<Flag>,
) -> Reading {
    let frequency = analysis.cycles_per_sample;
    let out_vrms = analysis.means.volts_squared.sqrt();
    let sample_peak = surveys.volts.peak;
    let dense = frequency * DENSE_SAMPLES_PER_CYCLE <= 1.0;
    let out_vpk =
        if dense { sample_peak } else { sample_peak.max(series_peak(&analysis.volts.coefficients)) };
    let phase = at_start(analysis.volts.coefficients[1], frequency, capture.volts.len());
    let fundamental = analysis.volts.rms(1);
    let mut reading = Reading {
        fundamental_hz: finite(analysis.hz),
        fundamental_vrms: finite(fundamental),
        fundamental_phase_deg: finite(phase.arg().to_degrees()),
        out_vrms: finite(out_vrms),
        out_vpk: finite(out_vpk),
        dc_v: finite(analysis.means.volts),
        residue_vrms: finite((above_band(analysis) + analysis.residue.above).sqrt()),
        noise_vrms: finite(analysis.residue.noise.sqrt()),
        hum_pct: analysis.residue.hum.and_then(|hum| finite(100.0 * hum.sqrt() / fundamental)),
        crest_factor: finite(out_vpk / out_vrms),
        flat_top_pct: flat_top_pct(&capture.volts, sample_peak),
        envelope: analysis.blocks.envelope(),
        noise_a_vrms: analysis.weighted[0].map(|weighted| weighted.ms.sqrt()),
        noise_468_vrms: analysis.weighted[1].map(|weighted| weighted.ms.sqrt()),
        series: series(&analysis.volts.coefficients),
        flags,
        ..Reading::default()
    };
    if settings.quasi_peak && reading.noise_468_vrms.is_some() {
        let residual = &analysis.volts.residual;
        reading.noise_468_qp_v = quasi_peak(residual, capture.fs_hz, analysis.hz, settings.band_hz);
    }
    distortion(settings, analysis, &mut reading);
    reading.u = scatter::of_voltage(&Noise::of(capture, frequency, &analysis.residue), analysis, &reading);
    if let (Some(amps), Some(survey)) = (&analysis.amps, surveys.amps) {
        current::report(capture, analysis, amps, survey.peak, &mut reading);
    }
    reading
}

/// Power of the harmonics above the band, in V².
fn above_band(analysis: &Analysis) -> f64 {
    (analysis.order_in_band + 1..analysis.volts.coefficients.len()).map(|k| analysis.square(k)).sum()
}

/// Harmonics, THD, THD+N and the level of the band.
fn distortion(settings: &Settings, analysis: &Analysis, reading: &mut Reading) {
    let fundamental = analysis.volts.rms(1);
    let square = |order: usize| analysis.square(order);
    let inside = |order: &usize| settings.in_band(*order as f64 * analysis.hz);
    let in_band: f64 = (2..=analysis.order_in_band).filter(inside).map(square).sum();
    let last = settings.harmonics_max.map_or(analysis.order_in_band, |max| analysis.order_in_band.min(max));
    let counted = || (2..=last).filter(inside);
    let all: f64 = counted().map(square).sum();
    let even: f64 = counted().filter(|order| order % 2 == 0).map(square).sum();
    reading.harmonics_pct = (2..=last).map(|order| 100.0 * analysis.volts.rms(order) / fundamental).collect();
    reading.harmonics_db = reading.harmonics_pct.iter().map(|pct| decibels(pct / 100.0)).collect();
    // With no harmonic to look at, distortion was not found to be 0: it was not found.
    reading.thd_pct = counted().next().and_then(|_| finite(100.0 * all.sqrt() / fundamental));
    reading.even_share = finite(even / all);
    let rest = in_band + analysis.residue.band;
    let level = rest + if inside(&1) { fundamental * fundamental } else { 0.0 };
    reading.band_vrms = finite(level.sqrt());
    reading.thdn_pct = finite(100.0 * (rest / (rest + fundamental * fundamental)).sqrt());
}
