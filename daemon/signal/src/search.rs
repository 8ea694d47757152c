//! Where the tone is: the spectrum's peak, or the peak next to the commanded frequency.

use crate::fit::refine;
use crate::flags::Flag;
use crate::harmonics::Weights;
use crate::settings::Settings;
use crate::spectrum::power_spectrum;
use crate::survey::Survey;

/// Cycles a record must hold.
pub const CYCLES_MIN: f64 = 5.0;
/// How far from the commanded frequency the tone may be, as a share of it. Common practice, no source.
const NEAR: f64 = 0.02;

/// Least power of a tone in the band as a share of the strongest outside it: −100 dB. Common practice, no source.
const FAINTEST: f64 = 1e-10;
/// Lines from half the sample rate within which a tone can't be told from its own image.
const IMAGE_LINES: f64 = 2.5;

/// The tone's frequency, in cycles per sample, or why there is none.
pub(crate) fn tone(volts: &[f64], fs_hz: f64, weights: &Weights, settings: &Settings) -> Result<f64, Flag> {
    let len = volts.len();
    long_enough(len, fs_hz, settings)?;
    let Survey { mean, peak, .. } = Survey::new(volts);
    let centred: Vec<f64> = volts.iter().map(|v| v - mean).collect();
    let power = power_spectrum(&centred, fs_hz, &weights.residue).power;
    let start = start(&power, len, fs_hz, peak, settings)?;
    accept(refine(&centred, &weights.fit, start), len, fs_hz, settings)
}

/// Whether a record can hold the commanded tone.
pub(crate) fn long_enough(len: usize, fs_hz: f64, settings: &Settings) -> Result<(), Flag> {
    if len < 16 {
        return Err(Flag::TooShort);
    }
    let bin_hz = fs_hz / len as f64;
    match settings.expected_hz {
        Some(expected) if expected / bin_hz < CYCLES_MIN * (1.0 - 1e-3) => Err(Flag::TooShort),
        Some(expected) if expected >= fs_hz / 2.0 => Err(Flag::WrongFrequency),
        _ => Ok(()),
    }
}

/// Where to start from, in cycles per sample, by the record's spectrum through the residue's window, its mean taken
/// off. `largest` is the largest magnitude of the samples.
pub(crate) fn start(
    power: &[f64],
    len: usize,
    fs_hz: f64,
    largest: f64,
    settings: &Settings,
) -> Result<f64, Flag> {
    let line = choose(power, fs_hz / len as f64, settings)?;
    // What is left of a constant after its mean is taken off is rounding.
    if power[line].sqrt() <= 1e-13 * largest {
        return Err(Flag::NoSignal);
    }
    Ok((line as f64 + between_lines(power, line)) / len as f64)
}

/// The frequency found, in cycles per sample, if it may be the tone's.
pub(crate) fn accept(found: f64, len: usize, fs_hz: f64, settings: &Settings) -> Result<f64, Flag> {
    if !(found > 0.0 && found < 0.5 - IMAGE_LINES / len as f64) {
        return Err(Flag::NoSignal);
    }
    if let Some(expected) = settings.expected_hz
        && (found * fs_hz - expected).abs() > NEAR * expected + 1.5 * fs_hz / len as f64
    {
        return Err(Flag::WrongFrequency);
    }
    // A tone whose last cycle ends on the last sample counts whole.
    if found * len as f64 <= CYCLES_MIN * (1.0 - 1e-3) {
        return Err(Flag::TooShort);
    }
    Ok(found)
}

/// The line to start from: the peak near the commanded frequency if it is a tone there, else the strongest.
fn choose(power: &[f64], bin_hz: f64, settings: &Settings) -> Result<usize, Flag> {
    let expected = settings.expected_hz;
    let low_hz = expected.map_or(settings.band_hz.0, |hz| settings.band_hz.0.min(hz * 0.9));
    let high_hz = expected.map_or(settings.band_hz.1, |hz| settings.band_hz.1.max(hz * 1.1));
    // Lines 0 and 1 hold what dc leaks.
    let strongest = peak(power, low_hz / bin_hz, high_hz / bin_hz).ok_or(Flag::NoSignal)?;
    let Some(expected) = expected else {
        // Far below a tone outside the band, what stands in it is the converter's own rounding.
        let anywhere = peak(power, 2.0, f64::INFINITY).ok_or(Flag::NoSignal)?;
        let heard = power[strongest] >= FAINTEST * power[anywhere];
        return if heard { Ok(strongest) } else { Err(Flag::NoSignal) };
    };
    let reach = NEAR * expected / bin_hz + 1.5;
    let near =
        peak(power, expected / bin_hz - reach, expected / bin_hz + reach).ok_or(Flag::WrongFrequency)?;
    if power[near] >= 0.25 * power[strongest] {
        return Ok(near);
    }
    // Harmonics may outdo a fundamental, hum may outdo a faint tone: it is enough that a tone stands there.
    let floor = median(power, low_hz / bin_hz, high_hz / bin_hz);
    if is_tone(power, near, floor) {
        return Ok(near);
    }
    Err(if power[strongest] > 100.0 * floor && power[strongest] > 0.0 {
        Flag::WrongFrequency
    } else {
        Flag::NoSignal
    })
}

/// A tone is a local peak well over the floor, not the flank of a neighbour.
fn is_tone(power: &[f64], line: usize, floor: f64) -> bool {
    let beside = |line: usize| power.get(line).copied().unwrap_or(0.0);
    let local = power[line] > 20.0 * floor;
    local && power[line] > 4.0 * beside(line.saturating_sub(3)) && power[line] > 4.0 * beside(line + 3)
}

fn range(power: &[f64], low: f64, high: f64) -> std::ops::Range<usize> {
    let low = low.ceil().max(2.0) as usize;
    let high = (high.floor().max(0.0) as usize).saturating_add(1).min(power.len());
    low.min(high)..high
}

fn peak(power: &[f64], low: f64, high: f64) -> Option<usize> {
    let range = range(power, low, high);
    let lines = &power[range.clone()];
    let most = Survey::new(lines).peak;
    lines.iter().position(|line| *line == most).map(|line| range.start + line)
}

fn median(power: &[f64], low: f64, high: f64) -> f64 {
    let mut lines = power[range(power, low, high)].to_vec();
    if lines.is_empty() {
        return 0.0;
    }
    let middle = lines.len() / 2;
    *lines.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Distance of the tone from the peak line, in lines, from the larger neighbour's height under a Hann window:
/// (2a − 1)/(a + 1) for the ratio a of amplitudes.
fn between_lines(power: &[f64], line: usize) -> f64 {
    let left = power[line.saturating_sub(1)].sqrt();
    let right = power.get(line + 1).copied().unwrap_or(0.0).sqrt();
    let peak = power[line].sqrt();
    let distance = |side: f64| ((2.0 * side - peak) / (side + peak)).clamp(0.0, 0.5);
    let found = if right >= left { distance(right) } else { -distance(left) };
    if found.is_finite() { found } else { 0.0 }
}
