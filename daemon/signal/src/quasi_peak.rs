//! Noise as the quasi-peak meter of Recommendation ITU-R BS.468-4 reads it.

use realfft::num_complex::Complex;

use crate::spectrum::{forward, inverse_plan, run_inverse};
use crate::weighting::itu468_response;

/// Rates of the two stages, per second: charge and discharge of the first, then of the second. The
/// Recommendation prescribes no circuit but readings of tone bursts; these rates were fitted to its tables and
/// stay within a fifth of every tolerance.
const RATES_PER_S: [f64; 4] = [631.52, 3.3404, 4.8719, 2.4291];
/// Brings the reading of a steady sine to its rms, as the Recommendation asks.
const SINE_GAIN: f64 = 1.563342 / std::f64::consts::SQRT_2;
/// The stages are at rest after this time, in s: seven times the slowest discharge.
const SETTLED_S: f64 = 3.0;

/// The detector alone, without the weighting: two rectifiers in cascade that charge fast and discharge slowly.
#[derive(Clone, Debug, PartialEq)]
pub struct QuasiPeak {
    steps: [f64; 4],
    first: f64,
    second: f64,
}

impl QuasiPeak {
    /// A discharged detector for samples taken at `fs_hz`.
    pub fn new(fs_hz: f64) -> Self {
        Self { steps: RATES_PER_S.map(|rate| -(-rate / fs_hz).exp_m1()), first: 0.0, second: 0.0 }
    }

    /// Takes one sample; returns the reading, in the samples' unit: a steady sine's rms.
    pub fn step(&mut self, sample: f64) -> f64 {
        let [charge_first, drop_first, charge_second, drop_second] = self.steps;
        self.first -= drop_first * self.first;
        self.first += charge_first * (sample.abs() - self.first).max(0.0);
        self.second -= drop_second * self.second;
        self.second += charge_second * (self.first - self.second).max(0.0);
        SINE_GAIN * self.second
    }
}

/// Reading of a residue, in its unit: through the weighting network and the detector, the highest that the meter
/// stands at once it has settled. The record is played forth and back over and over until then, so that its ends
/// meet without a step; a meter needs seconds, a capture seldom lasts one.
///
/// What lies outside `band_hz` or within five of the record's lines of the fundamental, where its slow modulation
/// shows, does not count. `None` for an empty record.
pub(crate) fn quasi_peak(
    residual: &[f64],
    fs_hz: f64,
    fundamental_hz: f64,
    band_hz: (f64, f64),
) -> Option<f64> {
    let len = 2 * residual.len();
    let mut series: Vec<f64> = residual.iter().chain(residual.iter().rev()).copied().collect();
    if series.is_empty() {
        return None;
    }
    let bin_hz = fs_hz / len as f64;
    let reach_hz = (10.0 * bin_hz).min(fundamental_hz / 2.0);
    let mut lines = forward(&mut series);
    for (line, value) in lines.iter_mut().enumerate() {
        let hz = line as f64 * bin_hz;
        let counts = hz >= band_hz.0 && hz <= band_hz.1 && (hz - fundamental_hz).abs() > reach_hz;
        let response = if counts { itu468_response(hz) } else { Complex::new(0.0, 0.0) };
        *value *= response / len as f64;
    }
    run_inverse(inverse_plan(len).as_ref(), &mut lines, &mut series);
    let mut detector = QuasiPeak::new(fs_hz);
    let settling = (SETTLED_S * fs_hz).min(1e9) as usize;
    for sample in series.iter().cycle().take(settling) {
        detector.step(*sample);
    }
    // Where the settling ended within the series, the pass goes on.
    let pass = series.iter().cycle().skip(settling % len).take(len);
    let highest = pass.fold(0.0, |highest: f64, sample| highest.max(detector.step(*sample)));
    highest.is_finite().then_some(highest)
}
