//! What the harmonic fit leaves over, by band: noise, hum, and what lies above the band.

use crate::harmonics::FIT_WINDOW;
use crate::settings::Settings;
use crate::spectrum::Spectrum;

/// Multiples of the mains frequency that count as hum. Common practice, no source.
const HUM_ORDER_MAX: usize = 20;

/// Mean squares of a channel's residual, in the square of its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residue {
    /// Within the band. Lines next to the fundamental, where its slow modulation shows, are replaced by the
    /// level beside them.
    pub band: f64,
    /// Above the band.
    pub above: f64,
    /// Within the band, with what the fit of the band's harmonics took of a flat noise added back.
    pub noise: f64,
    /// At the mains frequency and its multiples, over the noise between them; `None` if not to be told.
    pub hum: Option<f64>,
    /// Mains multiples that `hum` adds up.
    pub hum_multiples: usize,
    /// Noise within the band, without hum, as a density, in the square of the unit per Hz.
    pub density: f64,
    /// The same above the band, switching residue left out.
    pub density_above: f64,
}

/// Splits a residual by frequency, from its spectrum through [`RESIDUE_WINDOW`](crate::harmonics::RESIDUE_WINDOW), and
/// takes the fundamental's modulation out of that. `harmonics_in_band` counts those from the 2nd.
pub(crate) fn split(
    spectrum: &mut Spectrum,
    fs_hz: f64,
    fundamental_hz: f64,
    harmonics_in_band: usize,
    settings: &Settings,
) -> Residue {
    let (hum, hum_multiples) = hum(spectrum, fundamental_hz, settings);
    bridge(spectrum, fundamental_hz);
    let (low, high) = settings.band_hz;
    let high = high.min(fs_hz / 2.0);
    let band = spectrum.between(low, high);
    let above = spectrum.between(settings.band_hz.1, fs_hz);
    // Each harmonic holds the noise of one equivalent noise bandwidth of the weights, around its frequency.
    let taken_hz = harmonics_in_band as f64 * FIT_WINDOW.enbw_bins() * spectrum.bin_hz;
    let width_hz = (high - low).max(spectrum.bin_hz);
    let noise = band / (1.0 - taken_hz / width_hz).max(0.1);
    // Hum is no noise that scatters: a floor of it all keeps rounding from making none of what is left.
    let even = (noise - hum.unwrap_or(0.0)).max(1e-3 * noise);
    Residue {
        band,
        above,
        noise,
        hum,
        hum_multiples,
        density: even / width_hz,
        density_above: floor_above(spectrum, high),
    }
}

/// Density of the noise above the band: of lines spread over it, the median (ln 2 of the mean for noise), which the
/// lines of a switching residue don't move.
fn floor_above(spectrum: &Spectrum, high_hz: f64) -> f64 {
    const LOOKED_AT: usize = 512;
    let first = (high_hz / spectrum.bin_hz).ceil() as usize;
    let lines = spectrum.power.get(first..).unwrap_or(&[]);
    let every = (lines.len() / LOOKED_AT).max(1);
    let mut some: Vec<f64> = lines.iter().step_by(every).copied().collect();
    if some.is_empty() {
        return 0.0;
    }
    let middle = some.len() / 2;
    *some.select_nth_unstable_by(middle, f64::total_cmp).1 / std::f64::consts::LN_2 / spectrum.bin_hz
}

/// Replaces the lines around the fundamental by the level beside them. A record's slow change of level shows
/// there, as sidebands that a notch filter would remove with the fundamental (AES17).
fn bridge(spectrum: &mut Spectrum, fundamental_hz: f64) {
    let centre = fundamental_hz / spectrum.bin_hz;
    let half = 5.0_f64.min(centre / 2.0);
    let lines = spectrum.power.len();
    let first = ((centre - half).ceil().max(0.0) as usize).min(lines);
    let last = ((centre + half).floor() as usize + 1).min(lines);
    // The fit took the noise under dc and the harmonics with them: no level to go by. Lines between harmonics
    // of a record of few cycles are the best there is.
    let clear = 2.5_f64.min(0.35 * centre);
    let free = |line: &usize| {
        let line = *line as f64;
        (line - (line / centre).round() * centre).abs() > clear
    };
    let beside = (first.saturating_sub(12)..first).chain(last..(last + 12).min(lines)).filter(free);
    let (sum, count) =
        beside.fold((0.0, 0.0), |(sum, count), line| (sum + spectrum.power[line], count + 1.0));
    let level = if count > 0.0 { sum / count } else { 0.0 };
    spectrum.power[first..last].fill(level);
}

/// Mean square at the mains' multiples over the level between them, and how many of them stand out.
pub(crate) fn hum(spectrum: &Spectrum, fundamental_hz: f64, settings: &Settings) -> (Option<f64>, usize) {
    let bin = spectrum.bin_hz;
    // A tone under the Hann window is five lines wide; the next multiple must be clear of it.
    if settings.mains_hz < 5.0 * bin {
        return (None, 0);
    }
    let mut multiples = 0;
    let high = settings.band_hz.1.min(bin * (spectrum.power.len() as f64 - 5.0));
    let mut found = None;
    for order in 1..=HUM_ORDER_MAX {
        let hz = order as f64 * settings.mains_hz;
        let harmonic = (hz / fundamental_hz).round() * fundamental_hz;
        if hz < settings.band_hz.0 || hz > high || (hz - harmonic).abs() < 3.5 * bin {
            continue;
        }
        let line = (hz / bin).round() as usize;
        let tone: f64 = (line - 2..=line + 2).map(|n| spectrum.power[n]).sum();
        let found = found.get_or_insert(0.0);
        // The skirts of a level that jumps within the record pass through the mains' multiples without a peak.
        let top = spectrum.power[line - 1].max(spectrum.power[line]).max(spectrum.power[line + 1]);
        if top < 4.0 * spectrum.power[line - 3].max(spectrum.power[line + 3]) {
            continue;
        }
        multiples += 1;
        *found += tone - 5.0 * level_around(spectrum, line);
    }
    (found.map(|ms: f64| ms.max(0.0)), multiples)
}

/// Level of the noise around a line, from the median of its neighbourhood (ln 2 of the mean for noise).
fn level_around(spectrum: &Spectrum, line: usize) -> f64 {
    let reach = |from: usize, to: usize| from.min(spectrum.power.len())..to.min(spectrum.power.len());
    let below = reach(line.saturating_sub(12), line.saturating_sub(2));
    let beyond = reach(line + 3, line + 13);
    let mut around: Vec<f64> = spectrum.power[below].iter().chain(&spectrum.power[beyond]).copied().collect();
    if around.is_empty() {
        return 0.0;
    }
    let middle = around.len() / 2;
    *around.select_nth_unstable_by(middle, f64::total_cmp).1 / std::f64::consts::LN_2
}
