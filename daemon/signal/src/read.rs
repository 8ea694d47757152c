//! The one question this room answers: what does this capture say?

use std::f64::consts::{SQRT_2, TAU};

use realfft::num_complex::Complex;

use crate::capture::Capture;
use crate::envelope::{Blocks, blocks};
use crate::flags::Flag;
use crate::harmonics::{HarmonicFit, Polished, Weights, polish};
use crate::power::{Channel, impedance, mean, mean_product};
use crate::quasi_peak::quasi_peak;
use crate::reading::Reading;
use crate::residue::{Residue, split, split_spectrum};
use crate::scatter;
use crate::search::tone;
use crate::settings::Settings;
use crate::shape::{flat_top_pct, peak};
use crate::weighting::{Taken, Weighting, weighted_ms};

/// Samples outside this range can't be volts or amperes, and their squares would not be numbers.
const LARGEST: f64 = 1e100;
/// Fewer samples per cycle than this, and the record's own samples may straddle the peak.
const DENSE_SAMPLES_PER_CYCLE: f64 = 32.0;

/// Reads one capture. Never panics and never fails: what can't be told is `None`, and flags say why.
pub fn read(capture: &Capture, settings: &Settings) -> Reading {
    let mut flags = unusable(capture, settings);
    if capture.touches_full_scale() {
        flags.push(Flag::AdcOverrange);
    }
    if flags.iter().any(Flag::refuses) {
        return Reading::refused(flags);
    }
    let weights = Weights::new(capture.volts.len());
    match analyse(capture, settings, &weights) {
        Ok(analysis) => report(capture, settings, &weights, &analysis, flags),
        Err(flag) => {
            flags.insert(0, flag);
            Reading::refused(flags)
        }
    }
}

/// Flags that the samples earn by themselves, before any signal is looked for.
pub(crate) fn unusable(capture: &Capture, settings: &Settings) -> Vec<Flag> {
    let mut flags = Vec::new();
    let amps = capture.amps.as_deref();
    let bad = |samples: &[f64]| samples.iter().any(|x| x.is_nan() || x.abs() > LARGEST);
    let positive = |x: f64| x.is_finite() && x > 0.0;
    let (low, high) = settings.band_hz;
    let settings_ok = low.is_finite() && low >= 0.0 && high > low && positive(settings.mains_hz);
    let expected_ok = settings.expected_hz.is_none_or(positive);
    if bad(&capture.volts)
        || amps.is_some_and(bad)
        || !positive(capture.fs_hz)
        || !settings_ok
        || !expected_ok
    {
        flags.push(Flag::InvalidSamples);
    }
    if capture.volts.is_empty() || amps.is_some_and(|amps| amps.len() != capture.volts.len()) {
        flags.push(Flag::MissingSamples);
    }
    flags
}

/// All that the numbers are made of.
struct Analysis {
    cycles_per_sample: f64,
    hz: f64,
    volts: HarmonicFit,
    amps: Option<HarmonicFit>,
    series_peak: f64,
    residue: Residue,
    /// Mean squares of the noise through the A and the ITU-R BS.468 weighting, in V².
    weighted: [Option<f64>; 2],
    blocks: Blocks,
    /// Highest harmonic within the band; 1 if none is.
    order_in_band: usize,
}

fn analyse(capture: &Capture, settings: &Settings, weights: &Weights) -> Result<Analysis, Flag> {
    let start = tone(&capture.volts, capture.fs_hz, weights, settings)?;
    let Polished { basis, fit, cycles_per_sample } = polish(&capture.volts, start, weights);
    let hz = cycles_per_sample * capture.fs_hz;
    let inside = |order: &usize| settings.in_band(*order as f64 * hz);
    let order_in_band = (2..fit.coefficients.len()).filter(inside).max().unwrap_or(1);
    let harmonics = (2..=order_in_band).filter(inside).count();
    let (residue, spectrum) = split_spectrum(&fit.residual, capture.fs_hz, hz, harmonics, weights, settings);
    let taken = Taken { fundamental_hz: hz, order_max: order_in_band };
    let weighted = [Weighting::A, Weighting::Itu468]
        .map(|weighting| weighted_ms(&spectrum, weighting, settings.band_hz, taken));
    let blocks = blocks(&fit, cycles_per_sample, capture.fs_hz);
    // Below 6 dB over the noise; written so that a level that is no number is refused too.
    let heard = fit.rms(1) >= 10_f64.powf(0.3) * residue.noise.sqrt() && fit.rms(1) > 0.0;
    if blocks.lost_samples() {
        return Err(Flag::MissingSamples);
    }
    if !heard {
        return Err(Flag::NoSignal);
    }
    let amps = capture.amps.as_ref().map(|amps| basis.fit(amps, weights));
    let series_peak = basis.peak(&fit);
    Ok(Analysis {
        cycles_per_sample,
        hz,
        volts: fit,
        amps,
        series_peak,
        residue,
        weighted,
        blocks,
        order_in_band,
    })
}

fn report(
    capture: &Capture,
    settings: &Settings,
    weights: &Weights,
    analysis: &Analysis,
    flags: Vec<Flag>,
) -> Reading {
    let frequency = analysis.cycles_per_sample;
    let volts = Channel { samples: &capture.volts, fit: &analysis.volts };
    let out_vrms = mean_product(volts, volts, frequency).max(0.0).sqrt();
    let sample_peak = peak(&capture.volts);
    let dense = frequency * DENSE_SAMPLES_PER_CYCLE <= 1.0;
    let out_vpk = if dense { sample_peak } else { sample_peak.max(analysis.series_peak) };
    // The fit's phases count from the middle of the record.
    let to_start = TAU * (frequency * (capture.volts.len() as f64 - 1.0) / 2.0).fract();
    let phase = analysis.volts.coefficients[1] * Complex::from_polar(1.0, -to_start);
    let mut reading = Reading {
        fundamental_hz: finite(analysis.hz),
        fundamental_vrms: finite(analysis.volts.rms(1)),
        fundamental_phase_deg: finite(phase.arg().to_degrees()),
        out_vrms: finite(out_vrms),
        out_vpk: finite(out_vpk),
        dc_v: finite(mean(volts, frequency)),
        residue_vrms: finite((above_band(analysis) + analysis.residue.above).sqrt()),
        noise_vrms: finite(analysis.residue.noise.sqrt()),
        hum_pct: analysis.residue.hum.and_then(|hum| finite(100.0 * hum.sqrt() / analysis.volts.rms(1))),
        crest_factor: finite(out_vpk / out_vrms),
        flat_top_pct: flat_top_pct(&capture.volts, sample_peak),
        envelope: analysis.blocks.envelope(),
        noise_a_vrms: analysis.weighted[0].map(f64::sqrt),
        noise_468_vrms: analysis.weighted[1].map(f64::sqrt),
        flags,
        ..Reading::default()
    };
    if settings.quasi_peak && reading.noise_468_vrms.is_some() {
        let residual = &analysis.volts.residual;
        reading.noise_468_qp_v = quasi_peak(residual, capture.fs_hz, analysis.hz, settings.band_hz);
    }
    distortion(settings, analysis, &mut reading);
    reading.u =
        scatter::of_voltage(&noise_of(capture, analysis, &analysis.residue), &analysis.residue, &reading);
    if let (Some(samples), Some(fit)) = (&capture.amps, &analysis.amps) {
        let amps = Channel { samples, fit };
        let peak_a = peak(samples);
        current(capture, settings, weights, analysis, (volts, amps), &mut reading);
        reading.out_apk = finite(peak_a);
    }
    reading
}

fn noise_of(capture: &Capture, analysis: &Analysis, residue: &Residue) -> scatter::Noise {
    scatter::Noise {
        density: residue.density,
        fs_hz: capture.fs_hz,
        len: capture.volts.len(),
        cycles_per_sample: analysis.cycles_per_sample,
    }
}

/// Power of the harmonics above the band, in V².
fn above_band(analysis: &Analysis) -> f64 {
    (analysis.order_in_band + 1..analysis.volts.coefficients.len())
        .map(|k| analysis.volts.rms(k).powi(2))
        .sum()
}

/// Harmonics, THD, THD+N and the level of the band.
fn distortion(settings: &Settings, analysis: &Analysis, reading: &mut Reading) {
    let fundamental = analysis.volts.rms(1);
    let square = |order: usize| analysis.volts.rms(order).powi(2);
    let inside = |order: &usize| settings.in_band(*order as f64 * analysis.hz);
    let in_band: f64 = (2..=analysis.order_in_band).filter(inside).map(square).sum();
    let last = settings.harmonics_max.map_or(analysis.order_in_band, |max| analysis.order_in_band.min(max));
    let counted = || (2..=last).filter(inside);
    let all: f64 = counted().map(square).sum();
    let even: f64 = counted().filter(|order| order % 2 == 0).map(square).sum();
    reading.harmonics_pct = (2..=last).map(|order| 100.0 * analysis.volts.rms(order) / fundamental).collect();
    // With no harmonic to look at, distortion was not found to be 0: it was not found.
    reading.thd_pct = counted().next().and_then(|_| finite(100.0 * all.sqrt() / fundamental));
    reading.even_share = finite(even / all);
    let rest = in_band + analysis.residue.band;
    let level = rest + if inside(&1) { fundamental * fundamental } else { 0.0 };
    reading.band_vrms = finite(level.sqrt());
    reading.thdn_pct = finite(100.0 * (rest / (rest + fundamental * fundamental)).sqrt());
}

/// Everything that needs the current.
fn current(
    capture: &Capture,
    settings: &Settings,
    weights: &Weights,
    analysis: &Analysis,
    (volts, amps): (Channel<'_>, Channel<'_>),
    reading: &mut Reading,
) {
    let frequency = analysis.cycles_per_sample;
    let out_irms = mean_product(amps, amps, frequency).max(0.0).sqrt();
    let active_w = mean_product(volts, amps, frequency);
    reading.out_irms = finite(out_irms);
    reading.active_w = finite(active_w);
    let apparent_va = reading.out_vrms.and_then(|vrms| finite(vrms * out_irms));
    reading.apparent_va = apparent_va;
    let harmonics = analysis.order_in_band - 1;
    let noise = split(&amps.fit.residual, capture.fs_hz, analysis.hz, harmonics, weights, settings);
    let amps_noise = noise_of(capture, analysis, &noise);
    let u_irms = amps_noise.mean_ms().sqrt();
    reading.u.active_w = reading.u.out_vrms.and_then(|u_vrms| {
        let vrms = analysis.volts.rms(1);
        finite((out_irms * u_vrms).hypot(vrms * u_irms))
    });
    // A current that does not rise out of its own noise tells neither load nor phase.
    let (v1, i1) = (analysis.volts.coefficients[1], amps.fit.coefficients[1]);
    if amps.fit.rms(1) < 10_f64.powf(0.3) * noise.noise.sqrt() || i1.norm() * SQRT_2 <= 0.0 {
        return;
    }
    reading.power_factor = apparent_va.and_then(|va| finite(active_w / va));
    reading.phase_deg = finite((v1 * i1.conj()).arg().to_degrees());
    if let Some((resistance, reactance)) = impedance(v1, i1) {
        reading.load_ohm_measured = finite(resistance);
        reading.load_x_ohm = finite(reactance);
        let volts_noise = noise_of(capture, analysis, &analysis.residue);
        let u_turn = volts_noise.turn(analysis.volts.rms(1)).hypot(amps_noise.turn(amps.fit.rms(1)));
        reading.u.phase_deg = finite(u_turn.to_degrees());
        reading.u.load_ohm_measured = finite(resistance.hypot(reactance) * u_turn);
    }
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
