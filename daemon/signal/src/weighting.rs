//! Frequency weightings of noise: how loud a spectrum is to an ear, or to a broadcaster's meter.

use realfft::num_complex::Complex;

use crate::harmonics::FIT_WINDOW;
use crate::spectrum::Spectrum;
use crate::survey::LANES;

/// The weightings reach to here at least; a record that ends below can't tell them.
const HIGHEST_HZ: f64 = 20_000.0;
/// Coarsest lines that still follow the curves from 20 Hz. Common practice, no source.
const LINE_HZ_MAX: f64 = 20.0;

/// A weighting curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weighting {
    /// A-weighting of IEC 61672-1, 0 dB at 1 kHz.
    A,
    /// The weighting network of Recommendation ITU-R BS.468-4, near 0 dB at 1 kHz and +12.2 dB at 6.3 kHz.
    Itu468,
}

impl Weighting {
    /// Gain of the weighting at `hz`, as a ratio of amplitudes; 0 at 0 Hz.
    pub fn gain(self, hz: f64) -> f64 {
        self.power_gain(hz).sqrt()
    }

    /// Square of [`Weighting::gain`].
    pub fn power_gain(self, hz: f64) -> f64 {
        match self {
            // IEC 61672-1 sets 0 dB at 1 kHz exactly.
            Weighting::A => a_power(hz) / a_power(1000.0),
            Weighting::Itu468 => itu468_response(hz).norm_sqr(),
        }
    }

    /// Gain in dB; −∞ at 0 Hz.
    pub fn gain_db(self, hz: f64) -> f64 {
        20.0 * self.gain(hz).log10()
    }
}

/// Square of the A-weighting before its normalisation (IEC 61672-1): two poles each at 20.6 Hz and 12.2 kHz, one
/// each at 107.7 Hz and 737.9 Hz.
fn a_power(hz: f64) -> f64 {
    const POLES_HZ: [f64; 4] = [20.598997, 107.65265, 737.86223, 12194.217];
    let square = hz * hz;
    let [p1, p2, p3, p4] = POLES_HZ.map(|pole| square + pole * pole);
    let (zeros, outer) = (square * square, p1 * p4);
    zeros * zeros / (outer * outer * p2 * p3)
}

/// 18.2 dB, which brings the network to about 0 dB at 1 kHz.
const ITU468_GAIN: f64 = 8.128305161640991;
const ITU468_SLOPE: f64 = 1.246332637532143e-4;

/// Complex response of the network of ITU-R BS.468-4 at `hz`. The rational form in common use for the passive
/// network of the Recommendation's figure 1a; it stays within 0.1 dB of table 1.
pub(crate) fn itu468_response(hz: f64) -> Complex<f64> {
    let square = hz * hz;
    let real = 1.0
        + square
            * (-1.363894795463638e-7 + square * (2.043828333606125e-15 - square * 4.737338981378384e-24));
    let imaginary =
        hz * (5.559488023498642e-4 + square * (-2.118150887518656e-11 + square * 1.306612257412824e-19));
    Complex::new(0.0, ITU468_GAIN * ITU468_SLOPE * hz) / Complex::new(real, imaginary)
}

/// Where a tone's fit has taken noise away with its harmonics.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Taken {
    /// Frequency of the fundamental, in Hz.
    pub fundamental_hz: f64,
    /// Highest harmonic that was fitted within the band.
    pub order_max: usize,
}

/// Weighted noise of a residue.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weighted {
    /// Mean square, in the square of the record's unit.
    pub ms: f64,
    /// Lines that it is spread over: (Σg²p)²/Σ(g²p)² for a flat spectrum p.
    pub lines: f64,
}

/// Gains of a weighting, squared, at the lines of a spectrum.
pub(crate) fn power_gains(weighting: Weighting, bin_hz: f64, lines: usize) -> Vec<f64> {
    (0..lines).map(|line| weighting.power_gain(line as f64 * bin_hz)).collect()
}

/// Weighted mean square of a residue's spectrum within `band_hz`. What the fit of the harmonics took of a flat noise
/// is added back, by its weight. The detector is a true-rms one. `gains` are [`power_gains`] of the band's lines.
///
/// `None` if the record ends below 20 kHz or its lines are coarser than 20 Hz (shorter than 50 ms).
pub(crate) fn weighted(
    spectrum: &Spectrum,
    weighting: Weighting,
    gains: &[f64],
    band_hz: (f64, f64),
    taken: Taken,
) -> Option<Weighted> {
    let bin = spectrum.bin_hz;
    let last = spectrum.power.len().checked_sub(1)?;
    if !tells(bin, last) {
        return None;
    }
    let (low, high) = (band_hz.0 / bin, band_hz.1 / bin);
    let first = (low - 0.5).max(0.0) as usize;
    let end = last.min((high + 0.5).max(0.0) as usize) + 1;
    if first >= end {
        return None;
    }
    let (power, gains) = (spectrum.power.get(first..end)?, gains.get(first..end)?);
    let mut sums = Sums::default();
    // A line at the band's edge counts by its share.
    for line in (first..end).filter(|line| *line < first + 2 || line + 2 >= end) {
        let centre = line as f64;
        let share = ((centre + 0.5).min(high) - (centre - 0.5).max(low)).clamp(0.0, 1.0);
        sums.add(0, share * gains[line - first], power[line - first]);
    }
    let inner = 2.min(power.len())..power.len().saturating_sub(2).max(2.min(power.len()));
    let (power, power_rest) = power[inner.clone()].as_chunks::<LANES>();
    let (gains, gains_rest) = gains[inner].as_chunks::<LANES>();
    for (power, gains) in power.iter().zip(gains) {
        for lane in 0..LANES {
            sums.add(lane, gains[lane], power[lane]);
        }
    }
    for (power, gain) in power_rest.iter().zip(gains_rest) {
        sums.add(0, *gain, *power);
    }
    let [sum, whole, squares] = sums.0.map(|lanes| lanes.iter().sum::<f64>());
    let harmonics = (2..=taken.order_max).map(|order| order as f64 * taken.fundamental_hz);
    let inside = harmonics.filter(|hz| *hz >= band_hz.0 && *hz <= band_hz.1);
    let lost: f64 = inside.map(|hz| weighting.power_gain(hz)).sum::<f64>() * FIT_WINDOW.enbw_bins();
    let ms = sum / (1.0 - lost / whole).max(0.1);
    ms.is_finite().then_some(Weighted { ms, lines: (whole * whole / squares).max(1.0) })
}

/// Sums of weight times power, of weights, and of their squares, side by side.
#[derive(Default)]
struct Sums([[f64; LANES]; 3]);

impl Sums {
    fn add(&mut self, lane: usize, weight: f64, power: f64) {
        self.0[0][lane] += weight * power;
        self.0[1][lane] += weight;
        self.0[2][lane] += weight * weight;
    }
}

/// True if lines so far apart, up to the last one, tell weighted noise.
pub(crate) fn tells(bin_hz: f64, last: usize) -> bool {
    let reaches = last as f64 * bin_hz >= HIGHEST_HZ - bin_hz;
    reaches && bin_hz <= LINE_HZ_MAX * (1.0 + 1e-3)
}
