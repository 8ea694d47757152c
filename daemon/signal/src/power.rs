//! Whole-cycle means: rms, dc and active power of records that hold no whole number of cycles.

use realfft::num_complex::Complex;

use crate::harmonics::HarmonicFit;

/// Mean over whole cycles of the product of two channels of one capture, in the product of their units: rms² of
/// one channel with itself, active power of voltage and current (IEEE Std 1459).
///
/// The harmonic models' share is exact, from their coefficients; the share of what the models leave over is
/// averaged over the whole cycles that the record holds, the last sample counting by its fraction. Together
/// they are the mean of the product itself, whatever the signal does.
pub fn mean_product(a: Channel<'_>, b: Channel<'_>, cycles_per_sample: f64) -> f64 {
    let series = |(a, b): (&Complex<f64>, &Complex<f64>)| a.re * b.re + a.im * b.im;
    let pairs = || a.fit.coefficients.iter().zip(&b.fit.coefficients);
    let modelled = 2.0 * pairs().map(series).sum::<f64>() - pairs().take(1).map(series).sum::<f64>();
    let left = |n: usize| {
        let (ra, rb) = (a.fit.residual[n], b.fit.residual[n]);
        (a.samples[n] - ra) * rb + (b.samples[n] - rb) * ra + ra * rb
    };
    modelled + whole_cycle_mean(a.samples.len().min(b.samples.len()), cycles_per_sample, left)
}

/// Mean of one channel over whole cycles, in its unit.
pub fn mean(channel: Channel<'_>, cycles_per_sample: f64) -> f64 {
    let dc = channel.fit.coefficients.first().map_or(0.0, |c| c.re);
    dc + whole_cycle_mean(channel.samples.len(), cycles_per_sample, |n| channel.fit.residual[n])
}

/// A channel's samples with the harmonics found in them.
#[derive(Clone, Copy)]
pub struct Channel<'a> {
    /// The samples, in the channel's unit.
    pub samples: &'a [f64],
    /// Their harmonic fit.
    pub fit: &'a HarmonicFit,
}

/// Mean of `value` over the largest whole number of cycles in `len` samples.
fn whole_cycle_mean(len: usize, cycles_per_sample: f64, value: impl Fn(usize) -> f64) -> f64 {
    // A thousandth of a cycle short is a whole one that noise moved.
    let cycles = (len as f64 * cycles_per_sample + 1e-3).floor().max(1.0);
    let span = (cycles / cycles_per_sample).min(len as f64);
    let whole = span.floor() as usize;
    let mut sum: f64 = (0..whole).map(&value).sum();
    if whole < len {
        sum += (span - whole as f64) * value(whole);
    }
    sum / span.max(1.0)
}

/// Impedance V1/I1 of two fundamentals, as resistance and reactance in ohm; `None` without current.
pub fn impedance(voltage: Complex<f64>, current: Complex<f64>) -> Option<(f64, f64)> {
    let ratio = voltage / current;
    (ratio.re.is_finite() && ratio.im.is_finite()).then_some((ratio.re, ratio.im))
}
