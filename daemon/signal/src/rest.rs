//! What a record tells of an output that nobody drives: noise, hum and direct voltage. There is no tone to find.

use serde::{Deserialize, Serialize};

use crate::residue::hum;
use crate::spectrum::{Spectrum, Window, power_spectrum};
use crate::{Capture, Flag, Settings, Weighting};

/// Shortest record: below, its rms says little of the next one's. In samples.
const SAMPLES_MIN: usize = 256;
/// The window of the spectrum: what of the direct voltage is left leaks no further than two lines.
const WINDOW: Window = Window::Hann;
/// The weightings reach to here at least, Hz, and need lines no coarser than this, Hz, as those of a tone's noise do.
const WEIGHTED_TO_HZ: f64 = 20_000.0;
const WEIGHTED_LINE_HZ_MAX: f64 = 20.0;

/// What a record of an undriven output tells. A number that could not be told is `None`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct RestReading {
    /// Mean voltage, V.
    pub dc_v: Option<f64>,
    /// True rms, full bandwidth, dc included, V.
    pub out_vrms: Option<f64>,
    /// Noise and hum within the band, without dc, V.
    pub noise_vrms: Option<f64>,
    /// The same through the A-weighting of IEC 61672-1, true rms, V.
    pub noise_a_vrms: Option<f64>,
    /// The same through the curve of ITU-R BS.468-4, true rms and not its quasi-peak detector, V.
    pub noise_468_vrms: Option<f64>,
    /// At the mains frequency and its multiples, over the noise between them, V; `None` if the record is too short to
    /// tell one multiple from the next.
    pub hum_vrms: Option<f64>,
    /// Above the band, V.
    pub residue_vrms: Option<f64>,
    /// Scatter that the record's own noise causes.
    pub u: RestUncertainty,
    /// Why numbers are absent, or what to know about them.
    pub flags: Vec<Flag>,
}

/// Type A standard uncertainties (JCGM 100:2008, 4.2).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct RestUncertainty {
    /// Of `dc_v`, V.
    pub dc_v: Option<f64>,
    /// Of `noise_vrms`, V.
    pub noise_vrms: Option<f64>,
    /// Of `noise_a_vrms`, V.
    pub noise_a_vrms: Option<f64>,
    /// Of `noise_468_vrms`, V.
    pub noise_468_vrms: Option<f64>,
}

/// Reads a record of an undriven output.
pub fn read_rest(capture: &Capture, settings: &Settings) -> RestReading {
    let volts = &capture.volts;
    if volts.len() < SAMPLES_MIN || !(capture.fs_hz > 0.0) {
        return RestReading { flags: vec![Flag::MissingSamples], ..RestReading::default() };
    }
    if !volts.iter().all(|sample| sample.is_finite()) {
        return RestReading { flags: vec![Flag::InvalidSamples], ..RestReading::default() };
    }
    let count = volts.len() as f64;
    let dc_v = volts.iter().sum::<f64>() / count;
    let rest: Vec<f64> = volts.iter().map(|volt| volt - dc_v).collect();
    let ac_ms = rest.iter().map(|volt| volt * volt).sum::<f64>() / count;
    let spectrum = power_spectrum(&rest, capture.fs_hz, &WINDOW.samples(rest.len()));
    let (low, high) = settings.band_hz;
    let top = high.min(capture.fs_hz / 2.0);
    let flat = weighed(&spectrum, (low, top), &|_| 1.0);
    let through = |weighting: Weighting| {
        let tells = capture.fs_hz / 2.0 >= WEIGHTED_TO_HZ && spectrum.bin_hz <= WEIGHTED_LINE_HZ_MAX;
        tells.then(|| weighed(&spectrum, (low, top), &|hz| weighting.power_gain(hz)))
    };
    let (a, itu468) = (through(Weighting::A), through(Weighting::Itu468));
    let above = (top < capture.fs_hz / 2.0).then(|| spectrum.between(top, capture.fs_hz));
    // No tone: no harmonic of one lies near the mains' multiples.
    let (hum_ms, _) = hum(&spectrum, f64::MAX, settings);
    let flags = if capture.touches_full_scale() { vec![Flag::AdcOverrange] } else { Vec::new() };
    RestReading {
        dc_v: Some(dc_v),
        out_vrms: Some((ac_ms + dc_v * dc_v).sqrt()),
        noise_vrms: Some(flat.ms.sqrt()),
        noise_a_vrms: a.as_ref().map(|a| a.ms.sqrt()),
        noise_468_vrms: itu468.as_ref().map(|weighed| weighed.ms.sqrt()),
        hum_vrms: hum_ms.map(f64::sqrt),
        residue_vrms: above.map(f64::sqrt),
        u: RestUncertainty {
            // White noise: the mean of n samples scatters by rms/√n.
            dc_v: Some((ac_ms / count).sqrt()),
            noise_vrms: Some(flat.u_rms()),
            noise_a_vrms: a.map(|a| a.u_rms()),
            noise_468_vrms: itu468.map(|weighed| weighed.u_rms()),
        },
        flags,
    }
}

/// A weighted mean square, and how many independent lines it is spread over.
struct Weighed {
    ms: f64,
    lines: f64,
}

impl Weighed {
    /// Standard uncertainty of its root: the power of a line of noise scatters by itself, the root by half of that.
    fn u_rms(&self) -> f64 {
        0.5 * self.ms.sqrt() / self.lines.max(1.0).sqrt()
    }
}

fn weighed(spectrum: &Spectrum, band_hz: (f64, f64), gain: &dyn Fn(f64) -> f64) -> Weighed {
    let share = |line: usize| {
        let (centre, bin) = (line as f64, spectrum.bin_hz);
        ((centre + 0.5).min(band_hz.1 / bin) - (centre - 0.5).max(band_hz.0 / bin)).clamp(0.0, 1.0)
    };
    let (mut ms, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for (line, power) in spectrum.power.iter().enumerate() {
        let weight = share(line) * gain(line as f64 * spectrum.bin_hz);
        ms += weight * power;
        sum += weight;
        squares += weight * weight;
    }
    // As of a flat spectrum: hum stands in few lines, but does not scatter. Neighbouring lines share what the window spreads.
    let lines = if squares > 0.0 { sum * sum / squares / WINDOW.enbw_bins() } else { 1.0 };
    Weighed { ms, lines }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FS_HZ: f64 = 192_000.0;

    fn capture(volt: impl Fn(f64) -> f64) -> Capture {
        let volts = (0..38_400).map(|n| volt(f64::from(n) / FS_HZ)).collect();
        Capture { fs_hz: FS_HZ, volts, ..Capture::default() }
    }

    /// By definition of rms: a sine of 1 V peak has 1/√2 V; and the A-weighting of IEC 61672-1 (table 3): 0 dB at 1 kHz,
    /// −19.1 dB at 100 Hz.
    #[test]
    fn known_tones_are_told_as_noise_hum_and_dc() {
        let read = |hz: f64| {
            read_rest(&capture(|t| 0.25 + (std::f64::consts::TAU * hz * t).sin()), &Settings::default())
        };
        let (kilo, hundred, beyond) = (read(1000.0), read(100.0), read(40_000.0));
        let near = |found: Option<f64>, truth: f64| {
            assert!((found.unwrap() / truth - 1.0).abs() < 2e-3, "{found:?} {truth}")
        };
        near(kilo.noise_vrms, 0.5f64.sqrt());
        near(kilo.noise_a_vrms, 0.5f64.sqrt());
        near(kilo.dc_v, 0.25);
        near(kilo.out_vrms, (0.5 + 0.0625f64).sqrt());
        assert!((20.0 * (hundred.noise_a_vrms.unwrap() / 0.5f64.sqrt()).log10() + 19.1).abs() < 0.1);
        near(hundred.hum_vrms, 0.5f64.sqrt());
        near(beyond.residue_vrms, 0.5f64.sqrt());
        assert!(beyond.noise_vrms.unwrap() < 1e-3);
    }

    /// White noise of variance 1 over 96 kHz has 19.98/96 of it within 20 Hz to 20 kHz (definition of white); its stated
    /// scatter is what repeats show.
    #[test]
    fn white_noise_reads_by_its_density_and_scatters_as_stated() {
        let mut state = 7u64;
        let mut draw = || {
            // Sum of twelve uniforms less six: variance 1 (central limit, textbook).
            let mut sum = -6.0;
            for _ in 0..12 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum += (state >> 11) as f64 / (1u64 << 53) as f64;
            }
            sum
        };
        let truth = (19_980.0f64 / 96_000.0).sqrt();
        let readings: Vec<RestReading> = (0..30)
            .map(|_| {
                let volts = (0..9_600).map(|_| draw()).collect();
                read_rest(&Capture { fs_hz: FS_HZ, volts, ..Capture::default() }, &Settings::default())
            })
            .collect();
        let found: Vec<f64> = readings.iter().map(|reading| reading.noise_vrms.unwrap()).collect();
        let mean = found.iter().sum::<f64>() / 30.0;
        let scatter = (found.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 29.0).sqrt();
        let stated = readings[0].u.noise_vrms.unwrap();
        assert!((mean / truth - 1.0).abs() < 0.01, "{mean} {truth}");
        // Thirty repeats tell a scatter within a factor of 1.5 (chi-square, 99.9 %).
        assert!(scatter / stated < 1.5 && stated / scatter < 1.5, "{scatter} {stated}");
    }

    #[test]
    fn what_is_no_record_tells_nothing() {
        let short = read_rest(
            &Capture { fs_hz: FS_HZ, volts: vec![0.0; 10], ..Capture::default() },
            &Settings::default(),
        );
        assert!(short.noise_vrms.is_none() && short.flags == [Flag::MissingSamples]);
        let wrong = capture(|_| f64::NAN);
        assert_eq!(read_rest(&wrong, &Settings::default()).flags, [Flag::InvalidSamples]);
    }
}
