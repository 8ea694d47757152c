//! Dc and every harmonic of one tone, found in the lines of one Hann-windowed transform.
//!
//! Where a record holds many cycles, each harmonic shows in a few lines of its own, and what it leaks into the
//! others' falls with the third power of the distance. So each harmonic is fitted to its own lines by least squares
//! (the same weights as the fit in `harmonics`, by Parseval's theorem), its whole transform, known in closed form, is
//! taken away, and the round is repeated until nothing is left to be found. One transform a channel is all it needs.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex;

use crate::harmonics::order_max;

/// Lines to either side of a harmonic that it is fitted to.
const REACH: i64 = 12;
/// Cycles from which on the harmonics stand far enough apart.
const CYCLES_MIN: f64 = 40.0;
/// Lines that a harmonic must stay below half the sample rate.
const MARGIN_LINES: f64 = CYCLES_MIN / 2.0;
/// What a harmonic leaks beyond the lines it is taken away from, as a share of the strongest.
const LEAK: f64 = 5e-10;
/// Lines that a harmonic is fitted to.
const AROUND: usize = 2 * REACH as usize + 1;

/// True if a tone of `cycles_per_sample` in `len` samples has its harmonics far enough apart for this method.
pub(crate) fn apart(cycles_per_sample: f64, len: usize) -> bool {
    let cycles = cycles_per_sample * len as f64;
    cycles >= CYCLES_MIN && len as f64 / 2.0 - cycles >= MARGIN_LINES
}

/// Lines of a real record's transform through the Hann window, of which harmonics are found and taken away.
pub(crate) struct Lobes<'a> {
    lines: &'a mut [Complex<f64>],
    len: usize,
    /// π/N and what it makes of the lines around: sines and cosines of its multiples −`REACH`−1…`REACH`+1.
    slant: f64,
    turns: [(f64, f64); AROUND + 2],
    /// 1 − cos π/N and sin² π/N.
    bend: (f64, f64),
}

/// A place between lines: the nearest line and the distance from it.
#[derive(Clone, Copy)]
struct Place {
    line: i64,
    beyond: f64,
}

impl Place {
    fn new(position: f64) -> Self {
        let line = position.round();
        // Nearer than this, the closed form would divide zero by zero.
        let beyond = position - line;
        let beyond = if beyond.abs() < 1e-15 { 1e-15 } else { beyond };
        Self { line: line as i64, beyond }
    }
}

/// What a part leaves in the lines around its place, but for its amplitude; the same for every channel of a capture.
pub(crate) struct Shape {
    place: Place,
    /// Turns the nearest line to phases from the record's middle.
    turn: Complex<f64>,
    lobe: [f64; AROUND],
    /// Σ lobe².
    norm: f64,
}

impl<'a> Lobes<'a> {
    /// Over the transform of `len` windowed samples.
    pub fn new(lines: &'a mut [Complex<f64>], len: usize) -> Self {
        let slant = PI / len as f64;
        let turns = std::array::from_fn(|n| (slant * (n as i64 - REACH - 1) as f64).sin_cos());
        let half = (slant / 2.0).sin();
        Self { lines, len, slant, turns, bend: (2.0 * half * half, slant.sin().powi(2)) }
    }

    /// ½/s − ¼/s₋ − ¼/s₊ of the sine of a line's distance and those of its neighbours: the window's transform but for
    /// a factor. With s₋s₊ = s² − sin² π/N one division does, where that does not cancel.
    fn lobe_at(&self, sine: f64) -> f64 {
        let square = sine * sine;
        let (bend, unit) = self.bend;
        0.5 * (square * bend - unit) / (sine * (square - unit))
    }

    /// The same where the line is nearer than two to the part.
    fn lobe_near(before: f64, sine: f64, after: f64) -> f64 {
        0.5 / sine - 0.25 * (1.0 / before + 1.0 / after)
    }

    /// Transform of the window, centred on the record's middle, at `REACH` lines to either side of a place; without
    /// the sign that alternates from line to line.
    fn lobe(&self, place: Place) -> [f64; AROUND] {
        let (sin, cos) = (self.slant * place.beyond).sin_cos();
        let sines = self.turns.map(|(s, c)| s * cos - c * sin);
        let top = -(PI * place.beyond).sin();
        let mut lobe = [0.0; AROUND];
        for (n, value) in lobe.iter_mut().enumerate() {
            *value = top * self.lobe_at(sines[n + 1]);
        }
        for n in REACH as usize - 1..=REACH as usize + 1 {
            lobe[n] = top * Self::lobe_near(sines[n], sines[n + 1], sines[n + 2]);
        }
        lobe
    }

    /// Lines around a place, turned so that phases count from the record's middle.
    fn around(&self, place: Place) -> [Complex<f64>; AROUND] {
        let turn = self.turn(place.line);
        let first = (place.line - REACH) as usize;
        let lines = self.lines.get(first..first + AROUND).unwrap_or(&[]);
        let mut around = [Complex::new(0.0, 0.0); AROUND];
        for (n, (value, line)) in around.iter_mut().zip(lines).enumerate() {
            let (sin, cos) = self.turns[n + 1];
            *value = line * (turn * Complex::new(cos, -sin));
        }
        around
    }

    /// What turns a line to phases from the record's middle, with the sign that is the same for all lines around.
    fn turn(&self, line: i64) -> Complex<f64> {
        // exp(iπ·line·(N−1)/N) = (−1)^line·exp(−iπ·line/N); the lobe's own sign alternates against it.
        Complex::from_polar(1.0, -PI * line as f64 / self.len as f64)
    }

    fn sign(place: Place) -> f64 {
        if place.line % 2 == 0 { 1.0 } else { -1.0 }
    }

    fn shape(&self, position: f64) -> Shape {
        let place = Place::new(position);
        let lobe = self.lobe(place);
        Shape { place, turn: self.turn(place.line), lobe, norm: lobe.iter().map(|h| h * h).sum() }
    }

    /// Shapes of so many harmonics of a tone at `position` lines, from the fundamental on.
    fn shapes(&self, position: f64, count: usize) -> Vec<Shape> {
        (1..=count).map(|order| self.shape(order as f64 * position)).collect()
    }

    /// Amplitude of a part, by least squares over the lines around it.
    fn amplitude(&self, shape: &Shape) -> Complex<f64> {
        let first = (shape.place.line - REACH) as usize;
        let lines = self.lines.get(first..first + AROUND).unwrap_or(&[]);
        let (mut re, mut im) = (0.0, 0.0);
        for ((line, h), (sin, cos)) in lines.iter().zip(&shape.lobe).zip(&self.turns[1..]) {
            re += h * (line.re * cos + line.im * sin);
            im += h * (line.im * cos - line.re * sin);
        }
        Complex::new(re, im) * shape.turn * (Self::sign(shape.place) / shape.norm)
    }

    /// How far the tone lies from `position`, in lines, and its amplitude there: one step of the four-parameter fit.
    fn step(&self, position: f64, known: Option<Complex<f64>>) -> f64 {
        const ASIDE: f64 = 1e-3;
        let place = Place::new(position);
        let lines = self.around(place);
        let lobe = self.lobe(place);
        // Kept on the same lines, so that the difference is the slope.
        let aside = |by: f64| self.lobe(Place { line: place.line, beyond: place.beyond + by });
        let (low, high) = (aside(-ASIDE), aside(ASIDE));
        let sign = Self::sign(place);
        let amplitude = known.unwrap_or_else(|| self.amplitude(&self.shape(position)));
        let (mut up, mut down) = (0.0, 0.0);
        for n in 0..lines.len() {
            let slope = (high[n] - low[n]) / (2.0 * ASIDE);
            let model = if known.is_some() { Complex::new(0.0, 0.0) } else { amplitude * lobe[n] };
            let rest = lines[n] * sign - model;
            up += slope * (amplitude.conj() * rest).re;
            down += slope * slope;
        }
        up / (down * amplitude.norm_sqr())
    }

    /// The tone's place, in lines, from a start within half a line of it.
    pub fn settle(&self, start: f64) -> f64 {
        const ROUNDS_MAX: usize = 20;
        let mut position = start;
        for _ in 0..ROUNDS_MAX {
            let change = self.step(position, None);
            if !change.is_finite() {
                return start;
            }
            let change = change.clamp(-0.5, 0.5);
            position += change;
            if change.abs() < 1e-11 {
                break;
            }
        }
        position
    }

    /// Takes a part of complex amplitude c (half the peak) away, with its image.
    fn take(&mut self, amplitude: Complex<f64>, shape: &Shape, strongest: f64) {
        let place = shape.place;
        let share = size(amplitude) / (strongest * LEAK);
        // The window's lines fall as 0.16/j³: 0.027·j⁻⁵ of the power lies beyond line j.
        let power = 0.027 * share * share;
        let least = REACH as f64;
        let reach =
            if power > least.powi(5) { power.powf(0.2).min(self.len as f64 / 2.0) } else { least } as i64;
        let inside = place.line - reach > 0 && place.line + reach < self.len as i64 / 2;
        let centre = amplitude * shape.turn.conj() * Self::sign(place);
        let value = |n: usize| {
            let (sin, cos) = self.turns[n + 1];
            centre * Complex::new(cos, sin) * shape.lobe[n]
        };
        let values: [Complex<f64>; AROUND] = std::array::from_fn(value);
        let first = place.line - REACH;
        let lines = usize::try_from(first).ok().and_then(|first| self.lines.get_mut(first..first + AROUND));
        match lines {
            Some(lines) if inside => {
                for (line, value) in lines.iter_mut().zip(&values) {
                    *line -= value;
                }
            }
            _ => {
                for (n, value) in values.into_iter().enumerate() {
                    self.subtract(first + n as i64, value);
                }
            }
        }
        if reach > REACH {
            self.take_beyond(centre, place, reach, inside);
        }
    }

    /// The same beyond the lines next to the part, by recurrence from line to line.
    fn take_beyond(&mut self, centre: Complex<f64>, place: Place, reach: i64, inside: bool) {
        let centre = centre * -(PI * place.beyond).sin();
        let (sin, cos) = (self.slant * place.beyond).sin_cos();
        let middle = REACH + 1;
        for direction in [1, -1] {
            let (s, c) = self.turns[(middle + direction * middle) as usize];
            let mut turn = centre * Complex::new(c, s);
            // Sine and cosine of the line's distance.
            let (mut sin, mut cos) = (s * cos - c * sin, c * cos + s * sin);
            let (sin_step, cos_step) = self.turns[(middle + direction) as usize];
            let step = Complex::new(cos_step, sin_step);
            for n in REACH + 1..=reach {
                let value = turn * self.lobe_at(sin);
                let line = place.line + direction * n;
                if inside {
                    self.lines[line as usize] -= value;
                } else {
                    self.subtract(line, value);
                }
                (sin, cos) = (sin * cos_step + cos * sin_step, cos * cos_step - sin * sin_step);
                turn *= step;
            }
        }
    }

    fn subtract(&mut self, line: i64, value: Complex<f64>) {
        let len = self.len as i64;
        let (line, value) = if line < 0 { (-line, value.conj()) } else { (line, value) };
        let (line, value) = if 2 * line > len { (len - line, value.conj()) } else { (line, value) };
        let Some(place) = usize::try_from(line).ok().and_then(|line| self.lines.get_mut(line)) else {
            return;
        };
        *place -= value;
        // Dc, and half the sample rate, are their own images.
        if line == 0 || 2 * line == len {
            *place -= value.conj();
        }
    }

    /// Takes dc away and returns it.
    fn take_dc(&mut self) -> f64 {
        let len = self.len as f64;
        let beside = Complex::from_polar(1.0, PI * (len - 1.0) / len);
        let (Some(zero), Some(one)) = (self.lines.first(), self.lines.get(1)) else { return 0.0 };
        // Under the window dc has N/2 in its own line and N/4 in each of its neighbours.
        let dc = (0.5 * zero.re + 0.5 * (one * beside).re) / (0.375 * len);
        self.lines[0].re -= dc * len / 2.0;
        self.lines[1] -= beside.conj() * (dc * len / 4.0);
        dc
    }

    /// Finds and takes away dc and the harmonics of these shapes. Amplitudes from dc, half the peak, phase at the record's
    /// middle.
    pub fn harmonics(&mut self, shapes: &[Shape]) -> Vec<Complex<f64>> {
        let mut found = vec![Complex::new(0.0, 0.0); shapes.len() + 1];
        self.rounds(shapes, &mut found);
        found
    }

    fn rounds(&mut self, shapes: &[Shape], found: &mut [Complex<f64>]) {
        const ROUNDS_MAX: usize = 12;
        let mut strongest = found.iter().skip(1).fold(0.0_f64, |most, c| most.max(size(*c)));
        for _ in 0..ROUNDS_MAX {
            found[0].re += self.take_dc();
            let mut largest = 0.0_f64;
            for (whole, shape) in found.iter_mut().skip(1).zip(shapes) {
                let change = self.amplitude(shape);
                *whole += change;
                strongest = strongest.max(size(*whole));
                largest = largest.max(size(change));
                if size(change) > 1e-15 * strongest {
                    self.take(change, shape, strongest);
                }
            }
            if !(largest > 1e-11 * strongest) {
                break;
            }
        }
    }

    /// The place of the tone and its harmonics, from a start that [`Lobes::settle`] found: the place is moved until
    /// what is left holds nothing that moving it would explain.
    pub fn polish(&mut self, start: f64) -> Polish {
        const ROUNDS_MAX: usize = 5;
        let mut position = start;
        let count = order_max(position / self.len as f64, self.len, MARGIN_LINES);
        let mut shapes = self.shapes(position, count);
        let mut found = self.harmonics(&shapes);
        for _ in 0..ROUNDS_MAX {
            let change = self.step(position, found.get(1).copied());
            if !(change.abs() > 2e-12 && change.abs() < 0.5) {
                break;
            }
            let strongest = found.iter().skip(1).fold(0.0_f64, |most, c| most.max(size(*c)));
            position += change;
            let moved = self.shapes(position, count);
            for ((c, from), to) in found.iter().skip(1).zip(&shapes).zip(&moved) {
                self.take(-c, from, strongest);
                self.take(*c, to, strongest);
            }
            shapes = moved;
            self.rounds(&shapes, &mut found);
        }
        Polish { position, found, shapes }
    }
}

/// Where a tone was found, with its harmonics.
pub(crate) struct Polish {
    /// Place of the fundamental, in lines.
    pub position: f64,
    /// Amplitudes from dc, half the peak, phase at the record's middle.
    pub found: Vec<Complex<f64>>,
    /// What they look like there.
    pub shapes: Vec<Shape>,
}

/// Magnitude of an amplitude that is neither huge nor tiny.
fn size(amplitude: Complex<f64>) -> f64 {
    amplitude.norm_sqr().sqrt()
}

/// Phase of a tone, in rad at the record's middle, turned to the first sample.
pub(crate) fn at_start(at_middle: Complex<f64>, cycles_per_sample: f64, len: usize) -> Complex<f64> {
    let turns = (cycles_per_sample * (len as f64 - 1.0) / 2.0).fract();
    at_middle * Complex::from_polar(1.0, -TAU * turns)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::harmonics::{Polished, Weights, polish};
    use crate::spectrum::forward;

    fn random(state: &mut u64) -> f64 {
        *state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (*state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    }

    #[test]
    fn both_fits_find_the_same() {
        // The same least squares by two routes: the exact normal equations over all samples, and the lines around each
        // harmonic. What the second leaves unseen is a ten-thousandth of the noise.
        let mut state = 7;
        for case in 0..40 {
            let len = 2_000 + (random(&mut state).abs() * 8_000.0) as usize;
            let cycles = 41.0 + random(&mut state).abs() * 300.0;
            let cycles = if case % 4 == 0 { cycles.round() } else { cycles };
            let f = cycles / len as f64;
            if !apart(f, len) {
                continue;
            }
            let noise = if case % 3 == 0 { 0.0 } else { 1e-3 };
            let parts: Vec<(f64, f64)> = (0..order_max(f, len, MARGIN_LINES).min(9) + 1)
                .map(|k| (0.4_f64.powi(k as i32), random(&mut state) * TAU))
                .collect();
            let samples: Vec<f64> = (0..len)
                .map(|n| {
                    let part = |(k, (a, p)): (usize, &(f64, f64))| {
                        a * (TAU * (k as f64 * f * n as f64).fract() + p).cos()
                    };
                    parts.iter().enumerate().map(part).sum::<f64>() + noise * random(&mut state)
                })
                .collect();
            let weights = Weights::new(len);
            let Polished { fit, cycles_per_sample, .. } = polish(&samples, f, &weights);
            let mut seen: Vec<f64> = samples.iter().zip(&weights.residue).map(|(x, h)| x * h).collect();
            let mut lines = forward(&mut seen);
            let mut lobes = Lobes::new(&mut lines, len);
            let start = lobes.settle(cycles + 0.3 * random(&mut state));
            let Polish { position, found, .. } = lobes.polish(start);
            let moved = (position / cycles - len as f64 * cycles_per_sample / cycles).abs();
            let scatter = noise / (len as f64).sqrt();
            assert!(moved < 1e-12 + 0.01 * scatter / cycles, "case {case}: frequency differs by {moved}");
            for (order, (a, b)) in found.iter().zip(&fit.coefficients).enumerate() {
                let off = (a - b).norm();
                assert!(off < 1e-10 + 0.01 * scatter, "case {case}, harmonic {order}: {a} against {b}");
            }
            let left = lines.iter().map(Complex::norm_sqr).sum::<f64>().sqrt() / len as f64;
            let expected: f64 = fit.residual.iter().zip(&weights.residue).map(|(r, h)| (r * h).powi(2)).sum();
            let expected = (expected / (2.0 * len as f64)).sqrt();
            assert!(
                (left - expected).abs() < 1e-8 + 0.02 * expected,
                "case {case}: {left} left, {expected} expected"
            );
        }
    }
}
