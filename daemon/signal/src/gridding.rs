//! Fourier sums over samples whose phases fall on no grid.
//!
//! A tone that is not coherent with the sample clock meets its own cycle at phases that never repeat, so its
//! harmonics can't be found by a plain transform; summing each of hundreds of harmonics over the record is
//! slow. Here each sample is spread over a fine grid of phases by a narrow kernel, one small transform gives
//! all harmonics, and the kernel's own transform is divided out (Dutt & Rokhlin, SIAM J. Sci. Comput. 1993;
//! the kernel exp(β√(1−x²)) is that of Barnett, Magland & af Klinteberg, SIAM J. Sci. Comput. 2019). Error
//! about 1e-11 of the largest harmonic.

use std::sync::{Arc, OnceLock};

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealToComplex};

use crate::spectrum::{forward_plan, inverse_plan, run_forward, run_inverse};

/// Grid points each sample is spread over.
const WIDTH: usize = 12;
/// Kernel shape for a grid twice as fine as the highest harmonic needs.
const BETA: f64 = 2.30 * WIDTH as f64;
/// Kernel rows tabulated per grid point; cubic interpolation between them is good to about 1e-14.
const ROWS: usize = 1024;

type Taps = [f64; WIDTH];

fn kernel(distance: f64) -> f64 {
    let x = distance / (WIDTH as f64 / 2.0);
    (BETA * ((1.0 - x * x).max(0.0).sqrt() - 1.0)).exp()
}

/// Kernel values by position between two grid points; one row before 0 and two after 1 for the interpolation.
fn table() -> &'static [Taps] {
    static TABLE: OnceLock<Vec<Taps>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let row = |row: usize| {
            let t = (row as f64 - 1.0) / ROWS as f64;
            std::array::from_fn(|tap| kernel(t + (WIDTH / 2 - 1) as f64 - tap as f64))
        };
        (0..ROWS + 4).map(row).collect()
    })
}

fn taps(table: &[Taps], t: f64) -> Taps {
    let position = t * ROWS as f64;
    let row = (position as usize).min(ROWS);
    let s = position - row as f64;
    let before = -s * (s - 1.0) * (s - 2.0) / 6.0;
    let at = (s + 1.0) * (s - 1.0) * (s - 2.0) / 2.0;
    let after = -(s + 1.0) * s * (s - 2.0) / 2.0;
    let beyond = (s + 1.0) * s * (s - 1.0) / 6.0;
    let rows = &table[row..row + 4];
    std::array::from_fn(|tap| {
        before * rows[0][tap] + at * rows[1][tap] + after * rows[2][tap] + beyond * rows[3][tap]
    })
}

/// Sums and series of the harmonics 0…K of one frequency over one record length. Phases count from the
/// record's middle.
pub(crate) struct Gridding {
    modes: usize,
    size: usize,
    starts: Vec<u32>,
    taps: Vec<Taps>,
    deconvolution: Vec<f64>,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
}

/// Smallest 2^a or 3·2^a that is at least `least`.
fn fast_size(least: usize) -> usize {
    let power = least.next_power_of_two();
    if power / 4 * 3 >= least { power / 4 * 3 } else { power }
}

impl Gridding {
    /// For `len` samples, a tone of `cycles_per_sample` and its harmonics up to `modes`.
    pub fn new(cycles_per_sample: f64, len: usize, modes: usize) -> Self {
        let size = fast_size((4 * modes + 4).max(4 * WIDTH));
        let table = table();
        let middle = (len as f64 - 1.0) / 2.0;
        let (mut starts, mut all) = (Vec::with_capacity(len), Vec::with_capacity(len));
        for n in 0..len {
            let turns = cycles_per_sample * (n as f64 - middle);
            let position = (turns - turns.floor()) * size as f64;
            let whole = position.floor();
            all.push(taps(table, position - whole));
            let start = (whole as usize + size + 1 - WIDTH / 2) % size;
            starts.push(start as u32);
        }
        let deconvolution = (0..=modes).map(|k| 1.0 / kernel_transform(k as f64 / size as f64)).collect();
        let (forward, inverse) = (forward_plan(size), inverse_plan(size));
        Self { modes, size, starts, taps: all, deconvolution, forward, inverse }
    }

    /// Points of the phase grid: at least 4K + 4.
    pub fn size(&self) -> usize {
        self.size
    }

    /// Σ y\[n\]·exp(−jkθ\[n\]) for k = 0…K, over values given by `value`.
    pub fn sums(&self, value: impl Fn(usize) -> f64) -> Vec<Complex<f64>> {
        let mut grid = vec![0.0; self.size + WIDTH];
        for (n, (start, taps)) in self.starts.iter().zip(&self.taps).enumerate() {
            let value = value(n);
            let start = *start as usize;
            for (cell, tap) in grid[start..start + WIDTH].iter_mut().zip(taps) {
                *cell += value * tap;
            }
        }
        for n in 0..WIDTH {
            grid[n] += grid[self.size + n];
        }
        let mut lines = self.forward.make_output_vec();
        run_forward(self.forward.as_ref(), &mut grid[..self.size], &mut lines);
        lines.iter().zip(&self.deconvolution).map(|(line, d)| line * d).collect()
    }

    /// The real series Σ c_k·exp(jkθ\[n\]) over k = −K…K with c_−k = c̄_k, at every sample.
    pub fn series(&self, coefficients: &[Complex<f64>]) -> Vec<f64> {
        let scaled: Vec<_> = coefficients.iter().zip(&self.deconvolution).map(|(c, d)| c * d).collect();
        let mut grid = self.harmonics_to_grid(&scaled);
        grid.extend_from_within(..WIDTH);
        let at = |(start, taps): (&u32, &Taps)| {
            let start = *start as usize;
            grid[start..start + WIDTH].iter().zip(taps).map(|(cell, tap)| cell * tap).sum()
        };
        self.starts.iter().zip(&self.taps).map(at).collect()
    }

    /// The real series of `coefficients` on the phase grid itself.
    pub fn harmonics_to_grid(&self, coefficients: &[Complex<f64>]) -> Vec<f64> {
        let mut lines = self.inverse.make_input_vec();
        for (line, c) in lines.iter_mut().zip(coefficients) {
            *line = *c;
        }
        let mut grid = self.inverse.make_output_vec();
        run_inverse(self.inverse.as_ref(), &mut lines, &mut grid);
        grid
    }

    /// The harmonics 0…K of values on the phase grid, without scaling; the values are used as scratch.
    pub fn grid_to_harmonics(&self, grid: &mut [f64]) -> Vec<Complex<f64>> {
        let mut lines = self.forward.make_output_vec();
        run_forward(self.forward.as_ref(), grid, &mut lines);
        lines.truncate(self.modes + 1);
        lines
    }
}

/// ∫ kernel(x)·cos(2πνx) dx, by the trapezoid rule: exact to rounding, as the kernel has no content beyond
/// the rule's own frequency and vanishes at its ends.
fn kernel_transform(nu: f64) -> f64 {
    const STEPS_PER_POINT: usize = 4;
    let step = 1.0 / STEPS_PER_POINT as f64;
    let half = |n: usize| {
        let x = n as f64 * step;
        kernel(x) * (std::f64::consts::TAU * nu * x).cos()
    };
    let sides: f64 = (1..=WIDTH / 2 * STEPS_PER_POINT).map(half).sum();
    step * (kernel(0.0) + 2.0 * sides)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn record(len: usize) -> Vec<f64> {
        let mut state = 1u64;
        let mut next = || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
        };
        (0..len).map(|_| next()).collect()
    }

    #[test]
    fn sums_equal_the_slow_obvious_ones() {
        // Definition of the Fourier sum, evaluated directly.
        let (len, f, modes) = (701, 0.012_345_678, 37);
        let values = record(len);
        let plan = Gridding::new(f, len, modes);
        let fast = plan.sums(|n| values[n]);
        for (k, fast) in fast.iter().enumerate() {
            let slow: Complex<f64> = (0..len)
                .map(|n| Complex::from_polar(values[n], -TAU * k as f64 * f * (n as f64 - 350.0)))
                .sum();
            assert!((fast - slow).norm() < 1e-9, "k {k}: {fast} against {slow}");
        }
    }

    #[test]
    fn the_series_equals_the_slow_obvious_one() {
        // Definition of the Fourier series, evaluated directly.
        let (len, f, modes) = (400, 0.031_1, 15);
        let parts = record(2 * (modes + 1));
        let mut c: Vec<_> = (0..=modes).map(|k| Complex::new(parts[2 * k], parts[2 * k + 1])).collect();
        c[0].im = 0.0;
        let fast = Gridding::new(f, len, modes).series(&c);
        for (n, fast) in fast.iter().enumerate() {
            let slow: f64 = (1..=modes)
                .map(|k| 2.0 * (c[k] * Complex::from_polar(1.0, TAU * k as f64 * f * (n as f64 - 199.5))).re)
                .sum::<f64>()
                + c[0].re;
            assert!((fast - slow).abs() < 1e-10, "sample {n}: {fast} against {slow}");
        }
    }
}
