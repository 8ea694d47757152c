//! Whole-cycle means: rms, dc and active power of records that hold no whole number of cycles.

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use crate::spectrum::{forward_plan, inverse_plan, run_forward, run_inverse};
use crate::survey::LANES;

/// Means over the largest whole number of cycles in a record, in the channels' units and their products.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Means {
    /// Of the voltage: dc.
    pub volts: f64,
    /// Of the voltage's square.
    pub volts_squared: f64,
    /// Of the current's square.
    pub amps_squared: f64,
    /// Of their product: active power (IEEE Std 1459).
    pub watts: f64,
}

/// A channel's samples with the harmonics found in them: amplitudes from dc, half the peak, phase at the record's
/// middle.
#[derive(Clone, Copy)]
pub struct Channel<'a> {
    /// The samples, in the channel's unit.
    pub samples: &'a [f64],
    /// Their harmonics.
    pub harmonics: &'a [Complex<f64>],
}

impl Means {
    /// Of a voltage, and of a current if there is one.
    ///
    /// The samples are added up over the whole cycles, the last one counting by its fraction; what that fraction
    /// gets wrong of the harmonics is known from their amplitudes and taken off. Together they are the mean of the
    /// product itself, whatever the signal does.
    pub fn new(volts: Channel<'_>, amps: Option<Channel<'_>>, cycles_per_sample: f64) -> Self {
        let span = Span::new(volts.samples.len(), cycles_per_sample);
        let sums = sums(volts.samples, amps.map(|amps| amps.samples), &span);
        let order_max = 2 * volts.harmonics.len().max(1) - 2;
        let rests = span.rests(order_max);
        let clean = |sum: f64, product: &[Complex<f64>]| {
            let off: f64 = product.iter().zip(&rests).skip(1).map(|(p, rest)| (p * rest).re).sum();
            (sum - 2.0 * off) / span.samples
        };
        let grid = Grid::new(order_max);
        let volts_on_grid = grid.values(volts.harmonics);
        let mut means = Self {
            volts: clean(sums[0], volts.harmonics),
            volts_squared: clean(sums[1], &grid.product(&volts_on_grid, &volts_on_grid)).max(0.0),
            ..Self::default()
        };
        if let Some(amps) = amps {
            let amps_on_grid = grid.values(amps.harmonics);
            means.amps_squared = clean(sums[2], &grid.product(&amps_on_grid, &amps_on_grid)).max(0.0);
            means.watts = clean(sums[3], &grid.product(&volts_on_grid, &amps_on_grid));
        }
        means
    }
}

/// The whole cycles of a record.
struct Span {
    samples: f64,
    whole: usize,
    len: usize,
    cycles_per_sample: f64,
}

impl Span {
    fn new(len: usize, cycles_per_sample: f64) -> Self {
        // A thousandth of a cycle short is a whole one that noise moved.
        let cycles = (len as f64 * cycles_per_sample + 1e-3).floor().max(1.0);
        let samples = (cycles / cycles_per_sample).min(len as f64).max(1.0);
        Self { samples, whole: (samples.floor() as usize).min(len), len, cycles_per_sample }
    }

    /// Share of the sample after the last whole one.
    fn fraction(&self) -> f64 {
        if self.whole < self.len { self.samples - self.whole as f64 } else { 0.0 }
    }

    /// Σ exp(jkθ\[n\]) over the span, for k = 0…`order_max`, θ from the record's middle: geometric series.
    fn rests(&self, order_max: usize) -> Vec<Complex<f64>> {
        let (whole, middle) = (self.whole as f64, (self.len as f64 - 1.0) / 2.0);
        let f = self.cycles_per_sample;
        let turn = |turns: f64| Complex::from_polar(1.0, TAU * turns.fract());
        // Powers of these, order by order: rounding grows with the order to some 1e-13.
        let steps = [
            turn(f * ((whole - 1.0) / 2.0 - middle)),
            turn(f * (whole - middle)),
            turn(f * whole / 2.0),
            turn(f / 2.0),
        ];
        let mut now = [Complex::new(1.0_f64, 0.0); 4];
        let mut rests = Vec::with_capacity(order_max + 1);
        for _ in 0..=order_max {
            let [centre, end, across, within] = now;
            let ratio = if within.im.abs() < 1e-12 { whole } else { across.im / within.im };
            rests.push(centre * ratio + end * self.fraction());
            for (now, step) in now.iter_mut().zip(steps) {
                *now *= step;
            }
        }
        rests
    }
}

/// Σ of v, v², i², v·i over the span.
fn sums(volts: &[f64], amps: Option<&[f64]>, span: &Span) -> [f64; 4] {
    let end = |samples: &[f64]| samples.get(span.whole).copied().unwrap_or(0.0);
    let fraction = span.fraction();
    let v = end(volts);
    let volts = &volts[..span.whole.min(volts.len())];
    let Some(amps) = amps else {
        let [sum, squares] = of_one(volts);
        return [sum + fraction * v, squares + fraction * v * v, 0.0, 0.0];
    };
    let i = end(amps);
    let [a, b, c, d] = of_two(volts, &amps[..span.whole.min(amps.len())]);
    [a + fraction * v, b + fraction * v * v, c + fraction * i * i, d + fraction * v * i]
}

fn of_one(volts: &[f64]) -> [f64; 2] {
    let mut sums = [[0.0; LANES]; 2];
    let (chunks, rest) = volts.as_chunks::<LANES>();
    for v in chunks {
        for lane in 0..LANES {
            sums[0][lane] += v[lane];
            sums[1][lane] += v[lane] * v[lane];
        }
    }
    for v in rest {
        sums[0][0] += v;
        sums[1][0] += v * v;
    }
    sums.map(|lanes| lanes.iter().sum())
}

fn of_two(volts: &[f64], amps: &[f64]) -> [f64; 4] {
    const FEWER: usize = LANES / 2;
    let mut sums = [[0.0; FEWER]; 4];
    let mut add = |lane: usize, v: f64, i: f64| {
        sums[0][lane] += v;
        sums[1][lane] += v * v;
        sums[2][lane] += i * i;
        sums[3][lane] += v * i;
    };
    let ((volts, volts_rest), (amps, amps_rest)) = (volts.as_chunks::<FEWER>(), amps.as_chunks::<FEWER>());
    for (v, i) in volts.iter().zip(amps) {
        for lane in 0..FEWER {
            add(lane, v[lane], i[lane]);
        }
    }
    for (v, i) in volts_rest.iter().zip(amps_rest) {
        add(0, *v, *i);
    }
    sums.map(|lanes| lanes.iter().sum())
}

/// One cycle at points dense enough for the product of two series.
struct Grid {
    size: usize,
    order_max: usize,
}

impl Grid {
    /// For products that reach to `order_max`.
    fn new(order_max: usize) -> Self {
        Self { size: (2 * order_max + 2).max(8).next_power_of_two(), order_max }
    }

    fn values(&self, harmonics: &[Complex<f64>]) -> Vec<f64> {
        let plan = inverse_plan(self.size);
        let mut lines = plan.make_input_vec();
        for (line, c) in lines.iter_mut().zip(harmonics) {
            *line = *c;
        }
        let mut values = plan.make_output_vec();
        run_inverse(plan.as_ref(), &mut lines, &mut values);
        values
    }

    /// Harmonics of the product of two series.
    fn product(&self, a: &[f64], b: &[f64]) -> Vec<Complex<f64>> {
        let mut values: Vec<f64> = a.iter().zip(b).map(|(a, b)| a * b / self.size as f64).collect();
        let plan = forward_plan(self.size);
        let mut lines = plan.make_output_vec();
        run_forward(plan.as_ref(), &mut values, &mut lines);
        lines.truncate(self.order_max + 1);
        lines
    }
}

/// Impedance V1/I1 of two fundamentals, as resistance and reactance in ohm; `None` without current.
pub fn impedance(voltage: Complex<f64>, current: Complex<f64>) -> Option<(f64, f64)> {
    let ratio = voltage / current;
    (ratio.re.is_finite() && ratio.im.is_finite()).then_some((ratio.re, ratio.im))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn means_over_broken_cycles_are_those_of_the_series() {
        // Parseval's theorem on a synthesis of known harmonics, over records that end anywhere in a cycle.
        let v = [(0.3, 0.0), (10.0, 0.4), (0.5, 1.0), (0.2, -2.0)];
        let i = [(0.1, 0.0), (2.0, -0.3), (0.1, 2.0), (0.4, 0.1)];
        let c = |list: &[(f64, f64)]| -> Vec<Complex<f64>> {
            let half = |k: usize| if k == 0 { 1.0 } else { 0.5 };
            list.iter().enumerate().map(|(k, (a, p))| Complex::from_polar(half(k) * a, *p)).collect()
        };
        for (len, f) in [(1000, 0.137_31), (777, 0.010_01), (512, 1.0 / 64.0), (300, 0.142)] {
            let middle = (len as f64 - 1.0) / 2.0;
            let at = |list: &[(f64, f64)], n: usize| -> f64 {
                let part = |(k, (a, p)): (usize, &(f64, f64))| {
                    a * (TAU * k as f64 * f * (n as f64 - middle) + p).cos()
                };
                list.iter().enumerate().map(part).sum()
            };
            let volts: Vec<f64> = (0..len).map(|n| at(&v, n)).collect();
            let amps: Vec<f64> = (0..len).map(|n| at(&i, n)).collect();
            let (cv, ci) = (c(&v), c(&i));
            let amps = Channel { samples: &amps, harmonics: &ci };
            let means = Means::new(Channel { samples: &volts, harmonics: &cv }, Some(amps), f);
            let square =
                |l: &[(f64, f64)]| l[0].0.powi(2) + l[1..].iter().map(|(a, _)| a * a / 2.0).sum::<f64>();
            let watts: f64 =
                0.03 + (1..4).map(|k| v[k].0 * i[k].0 / 2.0 * (v[k].1 - i[k].1).cos()).sum::<f64>();
            for (found, expected) in [
                (means.volts, 0.3),
                (means.volts_squared, square(&v)),
                (means.amps_squared, square(&i)),
                (means.watts, watts),
            ] {
                assert!((found - expected).abs() < 1e-11, "{len}, {f}: {found} against {expected}");
            }
        }
    }
}
