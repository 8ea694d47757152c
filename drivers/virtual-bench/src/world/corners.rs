//! Corners of a curve, band-limited: what is clipped hard can be sampled at a low rate when what each corner leaves out of
//! the band is taken away again.
//!
//! A curve that is smooth but for jumps of its derivatives is, within the band of a low-pass `h`, its own samples and at
//! each jump of the derivative of order k, by Δ at t₀, Δ·R(t − t₀) with R = h ∗ t₊ᵏ/k! − t₊ᵏ/k!, which is nearly 0 farther
//! away than `h` is long (Brandt 2001, "Hard sync without aliasing", for k = 0, from memory; the
//! integrals for k ≥ 1 follow).

use std::sync::OnceLock;

use super::decimate::{PASS_EDGE, STOP_EDGE, kaiser_half_length, windowed_sinc};

/// Derivatives whose jumps count: the first to the third. The fourth leaves less than 1e-6 by [`PER_CYCLE_MIN`].
pub(super) const ORDERS: usize = 3;
/// Distance between the tone and what folds back into the band, as a multiple of the tone, at least.
pub(super) const PER_CYCLE_MIN: f64 = 24.0;
/// Rows of a table per sample; with cubic interpolation the error stays below 1e-6 of a correction.
const PHASES: usize = 64;
/// Points behind the middle of a table that integration uses up, two for each.
const SPARE: usize = 2 * (ORDERS + 2);

/// A jump of a curve's derivatives.
#[derive(Debug, Clone, Copy)]
pub(super) struct Corner {
    /// Where, in samples after the block's first.
    pub at: f64,
    /// By how much the first, second and third derivative jump, per sample, per sample² and per sample³.
    pub jumps: [f64; ORDERS],
}

/// What a corner leaves out, by order, at every whole distance, for each of the [`PHASES`].
#[derive(Debug)]
struct Table {
    /// Samples on either side of a corner that it reaches.
    half: usize,
    /// A row a phase, from one before 0 to two behind 1: order by order, sample by sample.
    rows: Vec<Vec<f64>>,
}

impl Table {
    /// For a low-pass from `pass` to `stop`, in cycles per sample.
    fn new(pass: f64, stop: f64) -> Self {
        let half = kaiser_half_length(stop - pass);
        let integrals = integrals((pass + stop) / 2.0, half);
        let middle = half * PHASES;
        let value = |order: usize, at: isize, tap: isize| {
            // Either side of the corner is a smooth curve of its own, also where interpolation looks a row beyond.
            let behind = tap > 0;
            let from_middle = if behind { -at } else { at };
            let size = integrals[order].get(middle.wrapping_add_signed(from_middle)).copied().unwrap_or(0.0);
            // Even for odd orders of derivative, odd for even ones.
            if behind && order % 2 == 1 { -size } else { size }
        };
        let row = |phase: isize| {
            (0..ORDERS)
                .flat_map(|order| (1..=2 * half as isize).map(move |tap| (order, tap - half as isize)))
                .map(|(order, tap)| value(order, tap * PHASES as isize - phase, tap))
                .collect()
        };
        Self { half, rows: (-1..=PHASES as isize + 1).map(row).collect() }
    }
}

/// The low-pass integrated twice, three times and four times, from its start to a little behind its middle, [`PHASES`] a sample.
fn integrals(cutoff: f64, half: usize) -> [Vec<f64>; ORDERS] {
    let points = half * PHASES + SPARE;
    let at = |k: usize| k as f64 / PHASES as f64 - half as f64;
    let impulse: Vec<f64> = (0..points).map(|k| windowed_sinc(cutoff, half as f64, at(k))).collect();
    let mut step = cumulated(&impulse);
    // Symmetric, so half of the whole lies before the middle.
    let whole = 2.0 * step[half * PHASES];
    step.iter_mut().for_each(|value| *value /= whole);
    let mut last = step;
    std::array::from_fn(|_| {
        last = cumulated(&last);
        last.clone()
    })
}

/// The integral from the first point on, by cubics through four points each; two points shorter. What is before the first
/// point is taken for 0.
fn cumulated(values: &[f64]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut out = vec![0.0];
    for k in 0..values.len().saturating_sub(3) {
        let before = if k == 0 { 0.0 } else { values[k - 1] };
        let area = 13.0 * (values[k] + values[k + 1]) - before - values[k + 2];
        sum += area / (24.0 * PHASES as f64);
        out.push(sum);
    }
    out
}

/// Takes from a channel's samples what its corners leave out of the band.
#[derive(Debug)]
pub(super) struct Corners {
    table: &'static Table,
    /// Samples that corners to come may still reach, and sums for those to come.
    open: Vec<f64>,
    /// Samples of `open` that have come.
    come: usize,
    /// Samples at the very start that earlier corners would have reached: they are dropped.
    drop: usize,
}

impl Corners {
    /// At the rate at which the record is kept if `halvings` is 0, else at a higher one, of which a decimation follows.
    pub fn new(halvings: u32) -> Self {
        static SHARP: OnceLock<Table> = OnceLock::new();
        static WIDE: OnceLock<Table> = OnceLock::new();
        let table = if halvings == 0 {
            SHARP.get_or_init(|| Table::new(PASS_EDGE, STOP_EDGE))
        } else {
            WIDE.get_or_init(|| Table::new(PASS_EDGE / 2.0, 1.0 - PASS_EDGE / 2.0))
        };
        Self { table, open: vec![0.0; table.half], come: 0, drop: table.half }
    }

    /// Samples by which a caller must start early and end late.
    pub fn reach(&self) -> usize {
        self.table.half
    }

    /// Takes a block with its corners; appends what no later corner can reach, without the first [`Corners::reach`].
    pub fn push(&mut self, block: &[f64], corners: &[Corner], out: &mut Vec<f64>) {
        let half = self.table.half;
        let first = self.come;
        self.come += block.len();
        self.open.resize(self.come + half + 1, 0.0);
        for (sum, value) in self.open[first..].iter_mut().zip(block) {
            *sum += value;
        }
        for corner in corners {
            self.correct(first, corner);
        }
        let ready = self.come.saturating_sub(half);
        out.extend(self.open.drain(..ready).skip(self.drop));
        self.drop = self.drop.saturating_sub(ready);
        self.come -= ready;
    }

    fn correct(&mut self, first: usize, corner: &Corner) {
        let half = self.table.half;
        let whole = corner.at.floor();
        let phase = (corner.at - whole) * PHASES as f64;
        let row = (phase as usize).min(PHASES - 1);
        let f = phase - row as f64;
        let (fp, fm, f2) = (f + 1.0, f - 1.0, f - 2.0);
        // Four-point Lagrange interpolation between the second and the third row.
        let weights = [-f * fm * f2 / 6.0, fp * fm * f2 / 2.0, -fp * f * f2 / 2.0, fp * f * fm / 6.0];
        // Of the sample that the first tap falls on; before the first one of all there is none.
        let start = first as isize + whole as isize + 1 - half as isize;
        let skip = start.min(0).unsigned_abs();
        let sums = self.open.get_mut(start.max(0) as usize..).unwrap_or_default();
        for (row, weight) in self.table.rows[row..].iter().zip(weights) {
            for (taps, jump) in row.chunks_exact(2 * half).zip(corner.jumps) {
                let scale = weight * jump;
                for (sum, tap) in sums.iter_mut().zip(taps.get(skip..).unwrap_or_default()) {
                    *sum += scale * tap;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    /// A triangle has the harmonics 8/π²·(−1)^((k−1)/2)/k² at odd k alone (its Fourier series, from memory); those above
    /// the band are not there, and what they would have folded to isn't either.
    #[test]
    fn a_triangle_sampled_at_its_corners_has_its_own_series_and_nothing_else() {
        let (samples, cycles) = (9_600, 437.0);
        let period = samples as f64 / cycles;
        let mut corners = Corners::new(0);
        let reach = corners.reach();
        let slope = 4.0 / period;
        let triangle = |n: f64| {
            let at = (n / period).rem_euclid(1.0);
            if at < 0.25 {
                4.0 * at
            } else if at < 0.75 {
                2.0 - 4.0 * at
            } else {
                4.0 * at - 4.0
            }
        };
        let mut out = Vec::new();
        let (mut n, block) = (0, 96);
        while n < samples + 2 * reach {
            let t0 = n as f64 - reach as f64;
            let values: Vec<f64> = (0..block).map(|k| triangle(t0 + f64::from(k))).collect();
            let mut found = Vec::new();
            let first = (2.0 * t0 / period - 0.5).ceil() as i64;
            for half in first.. {
                let at = (half as f64 + 0.5) * period / 2.0 - t0;
                if at >= f64::from(block) {
                    break;
                }
                let sign = if half % 2 == 0 { -2.0 } else { 2.0 };
                found.push(Corner { at, jumps: [sign * slope, 0.0, 0.0] });
            }
            corners.push(&values, &found, &mut out);
            n += block as usize;
        }
        out.truncate(samples);
        assert_eq!(out.len(), samples);
        let highest = (PASS_EDGE * period).floor() as i32;
        let edge = (0.5 * period).ceil() as i32;
        let mut left = out.clone();
        for k in (1..edge).step_by(2) {
            let sign = if (k - 1) / 2 % 2 == 0 { 1.0 } else { -1.0 };
            let size = sign * 8.0 / (TAU / 2.0 * f64::from(k)).powi(2);
            let turn = TAU * f64::from(k) / period;
            let found = 2.0 / samples as f64
                * out.iter().enumerate().map(|(n, v)| v * (turn * n as f64).sin()).sum::<f64>();
            if k <= highest {
                assert!((found - size).abs() < 2.0e-6, "harmonic {k}: {found} for {size}");
            }
            left.iter_mut().enumerate().for_each(|(n, v)| *v -= found * (turn * n as f64).sin());
        }
        let rms = (left.iter().map(|v| v * v).sum::<f64>() / samples as f64).sqrt();
        assert!(rms < 3.0e-6, "{rms} is left beside the harmonics");
    }
}
