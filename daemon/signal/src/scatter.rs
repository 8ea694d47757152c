//! Type A uncertainties (JCGM 100:2008, 4.2) of one record, from the density of its noise, which is taken as
//! white over the band. Least squares of white noise: the variances of IEEE Std 1057 and of Rife & Boorstyn,
//! IEEE Trans. Inf. Theory 1974, with the weights of the fit in place of equal ones (own algebra).

use std::f64::consts::{SQRT_2, TAU};

use crate::harmonics::FIT_WINDOW;
use crate::reading::{Reading, Uncertainty};
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
pub(crate) fn of_voltage(noise: &Noise, residue: &Residue, reading: &Reading) -> Uncertainty {
    let fundamental = reading.fundamental_vrms.filter(|vrms| *vrms > 0.0);
    Uncertainty {
        out_vrms: finite(noise.mean_ms().sqrt()),
        fundamental_vrms: finite(noise.fit_ms().sqrt()),
        fundamental_hz: fundamental.and_then(|vrms| finite(noise.frequency_hz(vrms))),
        dc_v: finite(noise.whole_cycles_ms().sqrt()),
        thd_pct: reading.thd_pct.zip(fundamental).and_then(|(pct, vrms)| thd_pct(noise, reading, pct, vrms)),
        thdn_pct: thdn_pct(noise, residue, reading),
        ..Uncertainty::default()
    }
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
    let lines = (residue.band / residue.density / noise.bin_hz()).max(1.0);
    let of_noise = residue.band * residue.band * FIT_WINDOW.enbw_bins() / lines;
    let of_harmonics = 4.0 * (rest * rest - residue.band).max(0.0) * noise.fit_ms();
    finite(100.0 * (of_noise + of_harmonics).sqrt() / (2.0 * rest * band))
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
