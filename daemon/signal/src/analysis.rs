//! One capture taken apart: tone, harmonics of both channels, and what is left over.

use crate::blocks::Blocks;
use crate::capture::Capture;
use crate::dropout::{filled, held, zeros};
use crate::flags::Flag;
use crate::harmonics::{Basis, HarmonicFit, Polished, polish};
use crate::lobes::{Lobes, Polish, Shape, apart};
use crate::power::{Channel, Means};
use crate::reader::{Room, Tools};
use crate::residue::{Residue, split};
use crate::search::{accept, long_enough, start};
use crate::settings::Settings;
use crate::spectrum::Spectrum;
use crate::survey::Survey;
use crate::waveform::subtract_series;
use crate::weighting::{Taken, Weighted, Weighting, weighted};

/// All that the numbers are made of.
pub(crate) struct Analysis {
    pub cycles_per_sample: f64,
    pub hz: f64,
    pub volts: HarmonicFit,
    /// What the fit of the voltage left over, by band.
    pub residue: Residue,
    /// Noise through the A and the ITU-R BS.468 weighting.
    pub weighted: [Option<Weighted>; 2],
    pub amps: Option<Amps>,
    pub means: Means,
    pub blocks: Blocks,
    /// Highest harmonic within the band; 1 if none is.
    pub order_in_band: usize,
}

/// The current.
pub(crate) struct Amps {
    pub fit: HarmonicFit,
    pub residue: Residue,
}

impl Analysis {
    /// Mean square of harmonic `order` of the voltage.
    pub fn square(&self, order: usize) -> f64 {
        self.volts.rms(order).powi(2)
    }
}

/// Surveys of both channels.
#[derive(Clone, Copy)]
pub(crate) struct Surveys {
    pub volts: Survey,
    pub amps: Option<Survey>,
}

/// A tone's frequency in cycles per sample, the voltage's harmonics, and how those of other channels are found.
struct Tone {
    cycles_per_sample: f64,
    volts: HarmonicFit,
    route: Route,
}

/// How harmonics are found: in the lines of the transform, or over all samples.
enum Route {
    Lines(Vec<Shape>),
    Samples(Basis),
}

/// Takes a capture apart. `room.power` is lost, `room.residual` goes into the analysis.
pub(crate) fn analyse(
    capture: &Capture,
    settings: &Settings,
    surveys: Surveys,
    tools: &Tools,
    room: &mut Room,
) -> Result<Analysis, Flag> {
    let Tone { cycles_per_sample, volts, route } = tone(capture, settings, surveys.volts, tools, room)?;
    let hz = cycles_per_sample * capture.fs_hz;
    let inside = |order: &usize| settings.in_band(*order as f64 * hz);
    let order_in_band = (2..volts.coefficients.len()).filter(inside).max().unwrap_or(1);
    let harmonics = (2..=order_in_band).filter(inside).count();
    let mut spectrum = spectrum(capture, tools, room);
    let residue = split(&mut spectrum, capture.fs_hz, hz, harmonics, settings);
    let blocks = Blocks::new(&capture.volts, &volts.coefficients, cycles_per_sample, capture.fs_hz);
    if filled(&capture.volts, &zeros(&capture.volts), &volts.coefficients, cycles_per_sample)
        || held(&capture.volts, &volts.coefficients, cycles_per_sample)
    {
        room.power = spectrum.power;
        return Err(Flag::Dropout);
    }
    // Below 6 dB over the noise; written so that a level that is no number is refused too.
    let heard = volts.rms(1) >= 10_f64.powf(0.3) * residue.noise.sqrt() && volts.rms(1) > 0.0;
    if blocks.lost_samples() {
        return Err(Flag::MissingSamples);
    }
    if !heard {
        let other = settings.expected_hz.is_some() && another_tone(&spectrum, volts.rms(1).powi(2), settings);
        room.power = spectrum.power;
        return Err(if other { Flag::WrongFrequency } else { Flag::NoSignal });
    }
    let taken = Taken { fundamental_hz: hz, order_max: order_in_band };
    let gains = tools.gains(capture.fs_hz, settings.band_hz.1);
    let curve = |curve, gains: &[f64]| weighted(&spectrum, curve, gains, settings.band_hz, taken);
    let weighted = [curve(Weighting::A, &gains[0]), curve(Weighting::Itu468, &gains[1])];
    room.power = spectrum.power;
    let amps = capture.amps.as_deref().zip(surveys.amps).map(|(samples, survey)| {
        let coefficients = match &route {
            Route::Lines(shapes) => {
                tools.transform(samples, survey.mean, room);
                let mut lobes = Lobes::new(&mut room.lines, samples.len());
                let mut found = lobes.harmonics(shapes);
                found[0].re += survey.mean;
                found
            }
            Route::Samples(basis) => {
                let fit = basis.fit(samples, &tools.weights);
                tools.transform(&fit.residual, 0.0, room);
                fit.coefficients
            }
        };
        let mut spectrum = self::spectrum(capture, tools, room);
        let residue = split(&mut spectrum, capture.fs_hz, hz, harmonics, settings);
        room.power = spectrum.power;
        Amps { fit: HarmonicFit { coefficients, residual: Vec::new() }, residue }
    });
    if let Some((samples, amps)) = capture.amps.as_deref().zip(amps.as_ref())
        && (filled(samples, &zeros(samples), &amps.fit.coefficients, cycles_per_sample)
            || held(samples, &amps.fit.coefficients, cycles_per_sample))
    {
        return Err(Flag::Dropout);
    }
    let means = {
        let amps = amps.as_ref().zip(capture.amps.as_deref());
        let amps = amps.map(|(amps, samples)| Channel { samples, harmonics: &amps.fit.coefficients });
        Means::new(
            Channel { samples: &capture.volts, harmonics: &volts.coefficients },
            amps,
            cycles_per_sample,
        )
    };
    Ok(Analysis { cycles_per_sample, hz, volts, residue, weighted, amps, means, blocks, order_in_band })
}

/// True if one tone makes up most of what is in the band, and is stronger than the commanded one.
fn another_tone(spectrum: &Spectrum, fundamental_ms: f64, settings: &Settings) -> bool {
    let (low, high) = settings.band_hz;
    let line = |hz: f64| ((hz / spectrum.bin_hz) as usize).min(spectrum.power.len());
    let range = line(low)..line(high);
    let most = range.clone().max_by(|a, b| spectrum.power[*a].total_cmp(&spectrum.power[*b]));
    most.is_some_and(|most| {
        let lobe = most.saturating_sub(2)..(most + 3).min(spectrum.power.len());
        let tone: f64 = spectrum.power[lobe].iter().sum();
        tone > fundamental_ms && tone > 0.5 * spectrum.between(low, high)
    })
}

/// Spectrum of what `room` holds the transform of.
fn spectrum(capture: &Capture, tools: &Tools, room: &mut Room) -> Spectrum {
    let mut power = std::mem::take(&mut room.power);
    tools.power(room, &mut power);
    Spectrum { bin_hz: capture.fs_hz / tools.len() as f64, power }
}

/// Finds the tone and the voltage's harmonics; leaves the transform of what they leave over in `room`.
fn tone(
    capture: &Capture,
    settings: &Settings,
    survey: Survey,
    tools: &Tools,
    room: &mut Room,
) -> Result<Tone, Flag> {
    let (samples, len, fs_hz) = (&capture.volts, capture.volts.len(), capture.fs_hz);
    long_enough(len, fs_hz, settings)?;
    tools.transform(samples, survey.mean, room);
    let spectrum = spectrum(capture, tools, room);
    let first = start(&spectrum.power, len, fs_hz, survey.peak, settings);
    room.power = spectrum.power;
    let first = first?;
    if apart(first, len) {
        let mut lobes = Lobes::new(&mut room.lines, len);
        let settled = lobes.settle(first * len as f64) / len as f64;
        if apart(settled, len) {
            let settled = accept(settled, len, fs_hz, settings)?;
            let Polish { position, found: mut coefficients, shapes } = lobes.polish(settled * len as f64);
            coefficients[0].re += survey.mean;
            let cycles_per_sample = position / len as f64;
            let mut residual = std::mem::take(&mut room.residual);
            residual.clear();
            // Only the quasi-peak meter listens to what is left sample by sample.
            if settings.quasi_peak {
                subtract_series(samples, &coefficients, cycles_per_sample, &mut residual);
            }
            let volts = HarmonicFit { coefficients, residual };
            return Ok(Tone { cycles_per_sample, volts, route: Route::Lines(shapes) });
        }
    }
    // Few cycles, or a tone next to half the sample rate: every harmonic leans on every other.
    let centred: Vec<f64> = samples.iter().map(|v| v - survey.mean).collect();
    let first = accept(crate::fit::refine(&centred, &tools.weights.fit, first), len, fs_hz, settings)?;
    let Polished { basis, fit, cycles_per_sample } = polish(samples, first, &tools.weights);
    tools.transform(&fit.residual, 0.0, room);
    Ok(Tone { cycles_per_sample, volts: fit, route: Route::Samples(basis) })
}
