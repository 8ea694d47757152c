//! Type A uncertainties (JCGM 100:2008, 4.2) of one record, from the density of its noise, which is taken as
//! white over the band. Least squares of white noise: the variances of IEEE Std 1057 and of Rife & Boorstyn,
//! IEEE Trans. Inf. Theory 1974, with the weights of the fit in place of equal ones (own algebra).

use std::f64::consts::{SQRT_2, TAU};

use crate::analysis::Analysis;
use crate::capture::Capture;
use crate::harmonics::FIT_WINDOW;
use crate::reading::{Reading, Uncertainty, finite};
use crate::residue::Residue;

/// √(Σw²t²/2)/Σwt² of the fit's weights cos⁴(πt/N), in units of N^(−3/2): how weighting spreads frequency.
const FREQUENCY_SPREAD: f64 = 5.218386904598218;

/// Noise of one channel.
pub(crate) struct Noise {
    /// In the square of the channel's unit per Hz.
    pub density: f64,
    /// Samples per second, in Hz.
    pub fs_hz: f64,
    /// Samples of the record.
    pub len: usize,
    /// Frequency of the tone, in cycles per sample.
    pub cycles_per_sample: f64,
}

impl Noise {
    /// Of a channel with this residue.
    pub fn of(capture: &Capture, cycles_per_sample: f64, residue: &Residue) -> Self {
        Self { density: residue.density, fs_hz: capture.fs_hz, len: capture.volts.len(), cycles_per_sample }
    }

    /// Variance of a mean over the record: the density in half a line (σ²/N for white noise).
    pub fn mean_ms(&self) -> f64 {
        self.density * self.bin_hz() / 2.0
    }

    /// Variance of the rms of a fitted harmonic.
    pub fn fit_ms(&self) -> f64 {
        self.mean_ms() * FIT_WINDOW.enbw_bins()
    }

    /// Standard uncertainty of the phase of a tone of `rms` at the record's middle, in rad: noise at right angles
    /// to the tone is as strong as along it.
    pub fn turn(&self, rms: f64) -> f64 {
        self.fit_ms().sqrt() / rms
    }

    fn bin_hz(&self) -> f64 {
        self.fs_hz / self.len as f64
    }

    /// Lines of the residue's spectrum that the noise within the band is spread over.
    fn lines(&self, residue: &Residue) -> f64 {
        (residue.band / residue.density / self.bin_hz()).max(1.0)
    }

    /// Variance of the mean square of the noise within the band.
    fn band_ms_variance(&self, residue: &Residue) -> f64 {
        residue.band * residue.band * FIT_WINDOW.enbw_bins() / self.lines(residue)
    }

    /// Standard uncertainty of the phase of a tone of `rms` at the first sample, in rad: that at the middle, and what
    /// the frequency adds on the way, which is independent of it.
    fn phase_at_start(&self, rms: f64) -> f64 {
        let seconds = (self.len as f64 - 1.0) / 2.0 / self.fs_hz;
        self.turn(rms).hypot(TAU * self.frequency_hz(rms) * seconds)
    }

    /// Variance of the mean over whole cycles.
    fn whole_cycles_ms(&self) -> f64 {
        let cycles = (self.len as f64 * self.cycles_per_sample + 1e-3).floor().max(1.0);
        let span = (cycles / self.cycles_per_sample).min(self.len as f64);
        self.density * self.fs_hz / 2.0 / span
    }

    /// Standard uncertainty of the frequency of a tone of `rms`, in Hz.
    fn frequency_hz(&self, rms: f64) -> f64 {
        let sigma = (self.density * self.fs_hz / 2.0).sqrt();
        // |c| of the tone is half its peak.
        let half_peak = rms / SQRT_2;
        let per_sample = sigma * FREQUENCY_SPREAD / (half_peak * (self.len as f64).powf(1.5));
        per_sample * self.fs_hz / TAU
    }
}

/// Of everything that needs the voltage alone.
pub(crate) fn of_voltage(noise: &Noise, analysis: &Analysis, reading: &Reading) -> Uncertainty {
    let residue = &analysis.residue;
    let fundamental = reading.fundamental_vrms.filter(|vrms| *vrms > 0.0);
    let weighted = |curve: usize| {
        let weighted = analysis.weighted[curve]?;
        finite(weighted.ms.sqrt() * relative_rms(weighted.lines))
    };
    Uncertainty {
        out_vrms: finite(noise.mean_ms().sqrt()),
        fundamental_vrms: finite(noise.fit_ms().sqrt()),
        fundamental_hz: fundamental.and_then(|vrms| finite(noise.frequency_hz(vrms))),
        fundamental_phase_deg: fundamental.and_then(|vrms| finite(noise.phase_at_start(vrms).to_degrees())),
        dc_v: finite(noise.whole_cycles_ms().sqrt()),
        harmonic_pct: fundamental.and_then(|vrms| finite(100.0 * noise.fit_ms().sqrt() / vrms)),
        thd_pct: reading.thd_pct.zip(fundamental).and_then(|(pct, vrms)| thd_pct(noise, reading, pct, vrms)),
        thdn_pct: thdn_pct(noise, residue, reading),
        band_vrms: band_vrms(noise, residue, reading),
        noise_vrms: finite(residue.noise.sqrt() * relative_rms(noise.lines(residue))),
        noise_a_vrms: weighted(0),
        noise_468_vrms: weighted(1),
        hum_pct: fundamental.and_then(|vrms| hum_pct(noise, residue, vrms)),
        residue_vrms: residue_vrms(noise, residue, reading),
        ..Uncertainty::default()
    }
}

/// Relative scatter of the rms of noise over so many lines seen through the residue's window.
fn relative_rms(lines: f64) -> f64 {
    (FIT_WINDOW.enbw_bins() / lines).sqrt() / 2.0
}

/// The fundamental's scatter together with that of all else in the band.
fn band_vrms(noise: &Noise, residue: &Residue, reading: &Reading) -> Option<f64> {
    let (fundamental, band) = reading.fundamental_vrms.zip(reading.band_vrms)?;
    let of_tones = 4.0 * (band * band - residue.band).max(fundamental * fundamental) * noise.fit_ms();
    finite((of_tones + noise.band_ms_variance(residue)).sqrt() / (2.0 * band))
}

/// Five lines a multiple, less five times the level around it, which is known from twenty lines: each multiple's mean
/// square scatters by 3.5 times a line's (own algebra); a multiple that is there scatters as a harmonic does.
fn hum_pct(noise: &Noise, residue: &Residue, fundamental_vrms: f64) -> Option<f64> {
    const OF_MULTIPLE: f64 = 3.5;
    let hum = residue.hum.filter(|hum| *hum > 0.0)?;
    let of_noise = residue.hum_multiples as f64 * (OF_MULTIPLE * 2.0 * noise.mean_ms()).powi(2);
    let spread = (of_noise.min(hum * hum) + 4.0 * hum * noise.fit_ms()).sqrt();
    finite(100.0 * spread / (2.0 * hum.sqrt() * fundamental_vrms))
}

/// The noise above the band scatters by its lines, all else there by the noise under it.
fn residue_vrms(noise: &Noise, residue: &Residue, reading: &Reading) -> Option<f64> {
    let all = reading.residue_vrms.filter(|vrms| *vrms > 0.0)?;
    let part_ms = residue.density_above * noise.bin_hz() / 2.0 * FIT_WINDOW.enbw_bins();
    let line_ms = residue.density_above * noise.bin_hz();
    // Mean square of the noise is lines times line_ms, its variance that squared over the lines.
    let of_noise = FIT_WINDOW.enbw_bins() * line_ms * residue.above.min(line_ms * noise.len as f64 / 2.0);
    let of_tones = 4.0 * (all * all - line_ms * noise.len as f64 / 2.0).max(0.0) * part_ms;
    finite((of_noise + of_tones).sqrt() / (2.0 * all))
}

/// h² sums K harmonics, each with noise of variance s² along and across it: its mean is h0² + 2Ks², its
/// variance 4h0²s² + 4Ks⁴.
fn thd_pct(noise: &Noise, reading: &Reading, thd_pct: f64, fundamental_vrms: f64) -> Option<f64> {
    let count = reading.harmonics_pct.len() as f64;
    let part_ms = noise.fit_ms();
    let all = thd_pct / 100.0 * fundamental_vrms;
    let clean_ms = (all * all - 2.0 * count * part_ms).max(0.0);
    let spread = (clean_ms * part_ms + count * part_ms * part_ms).sqrt();
    finite(100.0 * spread / (all * fundamental_vrms))
}

/// d² = n² + h²; n² is scattered by its degrees of freedom, h² by the noise under each harmonic.
fn thdn_pct(noise: &Noise, residue: &Residue, reading: &Reading) -> Option<f64> {
    let (thdn_pct, band) = reading.thdn_pct.zip(reading.band_vrms)?;
    let rest = thdn_pct / 100.0 * band;
    let of_noise = noise.band_ms_variance(residue);
    let of_harmonics = 4.0 * (rest * rest - residue.band).max(0.0) * noise.fit_ms();
    finite(100.0 * (of_noise + of_harmonics).sqrt() / (2.0 * rest * band))
}
