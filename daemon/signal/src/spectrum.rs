//! Windows and windowed transforms, normalised so that the lines of a spectrum add up to a mean square.

use std::cell::RefCell;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::survey::LANES;

/// A cosine-sum window. Coefficients: Harris, Proc. IEEE 1978; Nuttall, IEEE Trans. ASSP 1981.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Window {
    /// No window: finest resolution, slowest decay of leakage.
    Rectangular,
    /// Raised cosine: the window of the residue.
    Hann,
    /// The square of [`Window::Hann`]: the weights of the harmonic fit.
    HannSquared,
    /// Four-term Blackman–Harris, side lobes below −92 dB.
    BlackmanHarris,
    /// Nuttall's four-term window with continuous first derivative, side lobes below −93 dB and falling fast.
    Nuttall4b,
}

impl Window {
    /// Coefficients a_k of w\[n\] = Σ (−1)^k a_k cos(2πk·n/N).
    pub fn coefficients(self) -> &'static [f64] {
        match self {
            Window::Rectangular => &[1.0],
            Window::Hann => &[0.5, 0.5],
            Window::HannSquared => &[0.375, 0.5, 0.125],
            Window::BlackmanHarris => &[0.35875, 0.48829, 0.14128, 0.01168],
            Window::Nuttall4b => &[0.355768, 0.487396, 0.144232, 0.012604],
        }
    }

    /// Equivalent noise bandwidth in lines of the transform (Harris 1978): N Σw² / (Σw)².
    pub fn enbw_bins(self) -> f64 {
        let a = self.coefficients();
        let tail: f64 = a[1..].iter().map(|a| a * a).sum();
        (a[0] * a[0] + 0.5 * tail) / (a[0] * a[0])
    }

    /// The window's `len` values, symmetric about the record's middle: periodic, moved by half a sample.
    pub fn samples(self, len: usize) -> Vec<f64> {
        let step = std::f64::consts::TAU / len.max(1) as f64;
        let a = self.coefficients();
        let value = |n: usize| {
            // cos(k·x) by Chebyshev's recurrence: one cosine per sample instead of one per term.
            let x = ((n as f64 + 0.5) * step).cos();
            let (mut before, mut now, mut sum) = (1.0, x, a[0]);
            for (k, a) in a.iter().enumerate().skip(1) {
                sum += if k % 2 == 0 { a * now } else { -a * now };
                (before, now) = (now, 2.0 * x * now - before);
            }
            sum
        };
        (0..len).map(value).collect()
    }
}

/// A one-sided power spectrum of a record.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// Distance between lines, in Hz.
    pub bin_hz: f64,
    /// Mean square per line, in the square of the record's unit. All lines together add up to the windowed
    /// mean square of the record, so the sum over a range of noise is its mean square; a tone's mean square
    /// is the sum over its main lobe.
    pub power: Vec<f64>,
}

impl Spectrum {
    /// Mean square between two frequencies, in the square of the record's unit; a line that straddles an edge
    /// counts by its share.
    pub fn between(&self, low_hz: f64, high_hz: f64) -> f64 {
        let (low, high) = (low_hz / self.bin_hz, high_hz / self.bin_hz);
        let share = |line: usize| {
            let centre = line as f64;
            ((centre + 0.5).min(high) - (centre - 0.5).max(low)).clamp(0.0, 1.0)
        };
        // A cast of a float to an integer saturates.
        let lines = self.power.len();
        let first = ((low - 0.5).floor().max(0.0) as usize).min(lines);
        let end = ((high + 0.5).ceil().max(0.0) as usize).saturating_add(1).clamp(first, lines);
        // Lines well inside count whole.
        let inner_first = (first + 2).min(end);
        let inner_end = end.saturating_sub(3).max(inner_first);
        let edge =
            |lines: std::ops::Range<usize>| lines.map(|line| share(line) * self.power[line]).sum::<f64>();
        edge(first..inner_first) + sum(&self.power[inner_first..inner_end]) + edge(inner_end..end)
    }
}

/// Sum of values, several at a time.
pub(crate) fn sum(values: &[f64]) -> f64 {
    let mut sums = [0.0; LANES];
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            sums[lane] += chunk[lane];
        }
    }
    sums.iter().chain(rest).sum()
}

/// Power spectrum of `samples` taken at `fs_hz`, seen through the values of a window (as many as samples).
pub fn power_spectrum(samples: &[f64], fs_hz: f64, window: &[f64]) -> Spectrum {
    let len = samples.len();
    if len == 0 {
        return Spectrum { bin_hz: fs_hz, power: Vec::new() };
    }
    let mut seen: Vec<f64> = samples.iter().zip(window).map(|(x, h)| x * h).collect();
    seen.resize(len, 0.0);
    let lines = forward(&mut seen);
    let mut power = Vec::new();
    power_of(&lines, len, window_energy(window), &mut power);
    Spectrum { bin_hz: fs_hz / len as f64, power }
}

/// Σw² of a window.
pub(crate) fn window_energy(window: &[f64]) -> f64 {
    window.iter().map(|h| h * h).sum()
}

/// Mean square per line of the transform of `len` windowed samples, into `power`.
pub(crate) fn power_of(lines: &[Complex<f64>], len: usize, window_energy: f64, power: &mut Vec<f64>) {
    let scale = 1.0 / (len as f64 * window_energy.max(f64::MIN_POSITIVE));
    power.clear();
    power.extend(lines.iter().map(|x| 2.0 * scale * x.norm_sqr()));
    if let Some(first) = power.first_mut() {
        *first *= 0.5;
    }
    if let (true, Some(last)) = (len.is_multiple_of(2) && len > 1, power.last_mut()) {
        *last *= 0.5;
    }
}

/// Sizes whose plans are kept per thread before the store is emptied: a bench uses a handful.
const PLANS_MAX: usize = 64;

struct Plans {
    planner: RealFftPlanner<f64>,
    sizes: Vec<usize>,
}

thread_local! {
    // Planning costs as much as several transforms; a capture's length seldom changes.
    static PLANS: RefCell<Plans> = RefCell::new(Plans { planner: RealFftPlanner::new(), sizes: Vec::new() });
}

fn with_planner<T>(size: usize, ask: impl FnOnce(&mut RealFftPlanner<f64>) -> T) -> T {
    PLANS.with_borrow_mut(|plans| {
        if !plans.sizes.contains(&size) {
            if plans.sizes.len() >= PLANS_MAX {
                *plans = Plans { planner: RealFftPlanner::new(), sizes: Vec::new() };
            }
            plans.sizes.push(size);
        }
        ask(&mut plans.planner)
    })
}

/// Plan from `size` real values to `size/2 + 1` complex ones.
pub(crate) fn forward_plan(size: usize) -> Arc<dyn RealToComplex<f64>> {
    with_planner(size, |planner| planner.plan_fft_forward(size))
}

/// Plan from `size/2 + 1` complex values to `size` real ones, without scaling.
pub(crate) fn inverse_plan(size: usize) -> Arc<dyn ComplexToReal<f64>> {
    with_planner(size, |planner| planner.plan_fft_inverse(size))
}

/// Transform of real values, which are used as scratch.
pub(crate) fn forward(values: &mut [f64]) -> Vec<Complex<f64>> {
    let plan = forward_plan(values.len());
    let mut lines = plan.make_output_vec();
    run_forward(plan.as_ref(), values, &mut lines);
    lines
}

#[expect(clippy::expect_used, reason = "every caller sizes its buffers by the plan")]
pub(crate) fn run_forward(plan: &dyn RealToComplex<f64>, values: &mut [f64], lines: &mut [Complex<f64>]) {
    plan.process(values, lines).expect("buffers sized by the plan");
}

#[expect(
    clippy::expect_used,
    reason = "every caller sizes its buffers by the plan; imaginary ends are cleared here"
)]
pub(crate) fn run_inverse(plan: &dyn ComplexToReal<f64>, lines: &mut [Complex<f64>], values: &mut [f64]) {
    if let Some(first) = lines.first_mut() {
        first.im = 0.0;
    }
    if let (true, Some(last)) = (values.len().is_multiple_of(2), lines.last_mut()) {
        last.im = 0.0;
    }
    plan.process(lines, values).expect("buffers sized by the plan");
}
