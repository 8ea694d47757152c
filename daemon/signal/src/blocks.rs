//! The fundamental block by block within a record, each block of one or more whole cycles.
//!
//! In each block the fundamental is fitted to the samples less dc and the other harmonics of the whole record. Neither
//! the harmonics nor what they leave over is made sample by sample for that: their sum over a block, turned by the
//! fundamental, is a difference of one periodic function at the block's two ends (`ends`).

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use crate::survey::LANES;

/// Blocks a record is cut into at most.
const BLOCKS_MAX: usize = 128;
/// Samples that share one start phase.
const CHUNK: usize = 64;

/// Complex amplitude of the fundamental in each block, relative to the phase of the whole record's fit.
pub(crate) struct Blocks {
    /// Length of a block, in s.
    pub block_s: f64,
    /// Peak amplitudes, in the samples' unit.
    pub amplitudes: Vec<Complex<f64>>,
}

impl Blocks {
    /// Fits the fundamental block by block. `coefficients` are the record's harmonics: from dc, half the peak, phase at
    /// the record's middle.
    pub fn new(samples: &[f64], coefficients: &[Complex<f64>], cycles_per_sample: f64, fs_hz: f64) -> Self {
        let len = samples.len();
        let cycles = (len as f64 * cycles_per_sample).floor().max(1.0);
        // Sixteen samples a block at least, so that two unknowns stay well determined.
        let per_block = (cycles / BLOCKS_MAX as f64).ceil().max((16.0 * cycles_per_sample).ceil());
        let span = per_block / cycles_per_sample;
        let cuts: Vec<usize> = (0..)
            .map(|block| (f64::from(block) * span).round() as usize)
            .take_while(|cut| *cut <= len)
            .collect();
        let clock = Clock { cycles_per_sample, middle: (len as f64 - 1.0) / 2.0 };
        let ends = ends(&cuts, coefficients, clock);
        let table = Chunk::new(cycles_per_sample);
        let amplitudes = cuts.windows(2).zip(ends.windows(2)).map(|(cut, ends)| {
            let others = ends[1] - ends[0];
            let sum = table.sum(&samples[cut[0]..cut[1]], clock.turn(cut[0] as f64)) - others;
            solve(sum, clock, cut[0], cut[1])
        });
        Self { block_s: span / fs_hz, amplitudes: amplitudes.collect() }
    }
}

/// The fundamental's phase against samples.
#[derive(Clone, Copy)]
struct Clock {
    cycles_per_sample: f64,
    middle: f64,
}

impl Clock {
    /// exp(jθ) at a sample, or between two.
    fn turn(&self, sample: f64) -> Complex<f64> {
        Complex::from_polar(1.0, TAU * (self.cycles_per_sample * (sample - self.middle)).fract())
    }
}

/// The amplitude a − jb of y = a·cos θ + b·sin θ = Re (a − jb)·exp(jθ) that fits samples `first`…`end` by least squares,
/// from Σ y·exp(jθ).
fn solve(sum: Complex<f64>, clock: Clock, first: usize, end: usize) -> Complex<f64> {
    let count = (end - first) as f64;
    // Σ exp(2jθ): a geometric series.
    let centre = clock.turn((first + end - 1) as f64 / 2.0);
    let half_turn = TAU * clock.cycles_per_sample;
    let twice = centre * centre * ((half_turn * count).sin() / half_turn.sin());
    let (cc, cs, ss) = (0.5 * (count + twice.re), 0.5 * twice.im, 0.5 * (count - twice.re));
    let determinant = cc * ss - cs * cs;
    Complex::new(sum.re * ss - sum.im * cs, -(sum.im * cc - sum.re * cs)) / determinant
}

/// exp(jθ) of `CHUNK` samples from phase 0 on, and of the sample after them.
struct Chunk {
    cosines: [f64; CHUNK],
    sines: [f64; CHUNK],
    next: Complex<f64>,
}

impl Chunk {
    fn new(cycles_per_sample: f64) -> Self {
        let turn = |n: usize| Complex::from_polar(1.0, TAU * (cycles_per_sample * n as f64).fract());
        let turns: [Complex<f64>; CHUNK] = std::array::from_fn(turn);
        Self { cosines: turns.map(|turn| turn.re), sines: turns.map(|turn| turn.im), next: turn(CHUNK) }
    }

    /// Σ x·exp(jθ) over samples whose first is at `turn`.
    fn sum(&self, samples: &[f64], mut turn: Complex<f64>) -> Complex<f64> {
        let mut sum = Complex::new(0.0, 0.0);
        let (chunks, rest) = samples.as_chunks::<CHUNK>();
        for chunk in chunks {
            sum += turn * self.dot(chunk);
            turn *= self.next;
        }
        sum + turn * self.dot(rest)
    }

    #[inline(always)]
    fn dot(&self, samples: &[f64]) -> Complex<f64> {
        let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
        let (lanes, rest) = samples.as_chunks::<LANES>();
        let (cosines, sines) = (self.cosines.as_chunks::<LANES>().0, self.sines.as_chunks::<LANES>().0);
        for ((x, cosine), sine) in lanes.iter().zip(cosines).zip(sines) {
            for lane in 0..LANES {
                re[lane] += x[lane] * cosine[lane];
                im[lane] += x[lane] * sine[lane];
            }
        }
        let done = lanes.len() * LANES;
        for ((x, cosine), sine) in rest.iter().zip(&self.cosines[done..]).zip(&self.sines[done..]) {
            re[0] += x * cosine;
            im[0] += x * sine;
        }
        Complex::new(re.iter().sum(), im.iter().sum())
    }
}

/// The function whose difference between two samples is the sum of h·exp(jθ) from the one to before the other, h being
/// dc and the harmonics without the fundamental, at each of the cuts.
///
/// Σ exp(jmθ) is (exp(jmθ_end) − exp(jmθ_first))/(exp(jmω) − 1), with ω = 2π·`cycles_per_sample`, and 1/(exp(jmω) − 1) is
/// −½ − ½j·cot(mω/2). Harmonic k of h has an m of k + 1 and, its conjugate, of −(k − 1): two series in powers of exp(jθ).
/// No m is 0, and none a whole turn, as all harmonics lie below half the sample rate.
fn ends(cuts: &[usize], coefficients: &[Complex<f64>], clock: Clock) -> Vec<Complex<f64>> {
    /// Cuts worked on side by side, so that the processor need not wait for one.
    const CUTS: usize = 4;
    let factor = |multiple: f64| {
        let half = TAU / 2.0 * clock.cycles_per_sample * multiple;
        let (sin, cos) = half.sin_cos();
        Complex::new(-0.5, -0.5 * cos / sin)
    };
    let above =
        |(k, c): (usize, &Complex<f64>)| if k == 1 { Complex::default() } else { c * factor(k as f64 + 1.0) };
    let below =
        |(k, c): (usize, &Complex<f64>)| if k < 2 { Complex::default() } else { c * factor(k as f64 - 1.0) };
    let series: Vec<_> = coefficients.iter().enumerate().map(|part| (above(part), below(part))).collect();
    let mut ends = Vec::with_capacity(cuts.len());
    for cuts in cuts.chunks(CUTS) {
        let turns: [Complex<f64>; CUTS] = std::array::from_fn(|lane| {
            cuts.get(lane).map_or(Complex::default(), |cut| clock.turn(*cut as f64))
        });
        let (z_re, z_im) = (turns.map(|z| z.re), turns.map(|z| z.im));
        let [mut a_re, mut a_im, mut b_re, mut b_im] = [[0.0; CUTS]; 4];
        // Horner's scheme.
        for (above, below) in series.iter().rev() {
            for lane in 0..CUTS {
                let (a, b) = (a_re[lane], b_re[lane]);
                a_re[lane] = a * z_re[lane] - a_im[lane] * z_im[lane] + above.re;
                a_im[lane] = a * z_im[lane] + a_im[lane] * z_re[lane] + above.im;
                b_re[lane] = b * z_re[lane] - b_im[lane] * z_im[lane] + below.re;
                b_im[lane] = b * z_im[lane] + b_im[lane] * z_re[lane] + below.im;
            }
        }
        for lane in 0..cuts.len() {
            ends.push(turns[lane] * Complex::new(a_re[lane] + b_re[lane], a_im[lane] - b_im[lane]));
        }
    }
    ends
}

#[cfg(test)]
mod tests {
    use super::*;

    fn random(state: &mut u64) -> f64 {
        *state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (*state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    }

    #[test]
    fn blocks_equal_the_slow_obvious_ones() {
        // Normal equations of two unknowns (textbook least squares), over samples less a series summed term by term.
        let mut state = 3;
        for (len, f, orders) in
            [(5_000, 0.001_037, 400), (3_001, 0.010_37, 40), (900, 0.31, 1), (777, 0.111, 4)]
        {
            let coefficients: Vec<_> = (0..=orders)
                .map(|k| {
                    let size = 1.0 / (1.0 + k as f64).powi(2);
                    Complex::new(
                        size * random(&mut state),
                        if k == 0 { 0.0 } else { size * random(&mut state) },
                    )
                })
                .collect();
            let samples: Vec<f64> = (0..len).map(|_| random(&mut state)).collect();
            let found = Blocks::new(&samples, &coefficients, f, 1.0);
            let span = found.block_s;
            assert!((span * f - (span * f).round()).abs() < 1e-9, "whole cycles");
            assert!(found.amplitudes.len() as f64 * span > len as f64 - 1.5 * span);
            for (block, found) in found.amplitudes.iter().enumerate() {
                let cut = |n: usize| (n as f64 * span).round() as usize;
                let (mut cc, mut cs, mut ss, mut yc, mut ys) = (0.0, 0.0, 0.0, 0.0, 0.0);
                for (n, sample) in samples.iter().enumerate().take(cut(block + 1)).skip(cut(block)) {
                    let angle = TAU * f * (n as f64 - (len as f64 - 1.0) / 2.0);
                    let part = |(k, c): (usize, &Complex<f64>)| match k {
                        0 => c.re,
                        1 => 0.0,
                        _ => 2.0 * (c * Complex::from_polar(1.0, k as f64 * angle)).re,
                    };
                    let y = sample - coefficients.iter().enumerate().map(part).sum::<f64>();
                    let (sin, cos) = angle.sin_cos();
                    cc += cos * cos;
                    cs += cos * sin;
                    ss += sin * sin;
                    yc += y * cos;
                    ys += y * sin;
                }
                let determinant = cc * ss - cs * cs;
                let slow = Complex::new(yc * ss - ys * cs, -(ys * cc - yc * cs)) / determinant;
                assert!((found - slow).norm() < 1e-11, "{len}, {f}, block {block}: {found} against {slow}");
            }
        }
    }
}
