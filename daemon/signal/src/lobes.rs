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
/// What a harmonic leaks beyond the lines it is taken away from, as a share of the strongest.
const LEAK: f64 = 1e-10;

/// True if a tone of `cycles_per_sample` in `len` samples has its harmonics far enough apart for this method.
pub(crate) fn apart(cycles_per_sample: f64, len: usize) -> bool {
    let cycles = cycles_per_sample * len as f64;
    let highest = order_max(cycles_per_sample) as f64 * cycles;
    cycles >= CYCLES_MIN && len as f64 / 2.0 - highest >= CYCLES_MIN / 2.0
}

/// Lines of a real record's transform through the Hann window, of which harmonics are found and taken away.
pub(crate) struct Lobes<'a> {
    /// The transform, as far as nothing was taken away.
    pub lines: &'a mut [Complex<f64>],
    /// Samples of the record.
    pub len: usize,
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

impl Lobes<'_> {
    /// Transform of the window, centred on the record's middle, at `REACH` lines to either side of a place; without
    /// the sign that alternates from line to line.
    fn lobe(&self, place: Place) -> [f64; 2 * REACH as usize + 1] {
        let slant = PI / self.len as f64;
        let inverse = |line: i64| 1.0 / (slant * (line as f64 - place.beyond)).sin();
        let top = -(PI * place.beyond).sin();
        let mut before = inverse(-REACH - 1);
        let mut now = inverse(-REACH);
        std::array::from_fn(|n| {
            let after = inverse(n as i64 - REACH + 1);
            let value = top * (0.5 * now - 0.25 * (before + after));
            (before, now) = (now, after);
            value
        })
    }

    /// Lines around a place, turned so that phases count from the record's middle.
    fn around(&self, place: Place) -> [Complex<f64>; 2 * REACH as usize + 1] {
        let turn = self.turn(place.line - REACH);
        let step = Complex::from_polar(1.0, -PI / self.len as f64);
        let mut turn = turn;
        std::array::from_fn(|n| {
            let line = (place.line - REACH) as usize + n;
            let value = self.lines.get(line).map_or(Complex::new(0.0, 0.0), |value| value * turn);
            turn *= step;
            value
        })
    }

    /// What turns a line to phases from the record's middle, with the sign that is the same for all lines around.
    fn turn(&self, line: i64) -> Complex<f64> {
        // exp(iπ·line·(N−1)/N) = (−1)^line·exp(−iπ·line/N); the lobe's own sign alternates against it.
        Complex::from_polar(1.0, -PI * line as f64 / self.len as f64)
    }

    fn sign(place: Place) -> f64 {
        if place.line % 2 == 0 { 1.0 } else { -1.0 }
    }

    /// Amplitude of a part at `position` lines, by least squares over the lines around it.
    pub fn amplitude(&self, position: f64) -> Complex<f64> {
        let place = Place::new(position);
        let (lobe, lines) = (self.lobe(place), self.around(place));
        let (mut sum, mut norm) = (Complex::new(0.0, 0.0), 0.0);
        for (h, z) in lobe.iter().zip(&lines) {
            sum += z * h;
            norm += h * h;
        }
        sum * (Self::sign(place) / norm)
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
        let amplitude = known.unwrap_or_else(|| self.amplitude(position));
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

    /// Takes a part of complex amplitude c (half the peak) at `position` lines away, with its image.
    pub fn take(&mut self, amplitude: Complex<f64>, position: f64, strongest: f64) {
        let place = Place::new(position);
        let lines = self.len as i64 / 2;
        let share = amplitude.norm() / (strongest * LEAK);
        // The window's lines fall as 0.16/j³: 0.027·j⁻⁵ of the power lies beyond line j.
        let reach = ((0.027 * share * share).powf(0.2)).clamp(REACH as f64, lines as f64) as i64;
        let slant = PI / self.len as f64;
        let top = -(PI * place.beyond).sin() * Self::sign(place);
        let turn = Complex::from_polar(1.0, -slant);
        for upwards in [true, false] {
            let direction = if upwards { 1 } else { -1 };
            let first = if upwards { 0 } else { -1 };
            let angle = |line: i64| slant * (line as f64 - place.beyond);
            let (sin_step, cos_step) = (slant * direction as f64).sin_cos();
            let (mut sin, mut cos) = angle(first + direction).sin_cos();
            let (mut before, mut now) = (1.0 / angle(first - direction).sin(), 1.0 / angle(first).sin());
            let mut scaled = amplitude * self.turn(place.line + first).conj() * top;
            let step = if upwards { turn.conj() } else { turn };
            for n in 0..=reach {
                let after = 1.0 / sin;
                let value = scaled * (0.5 * now - 0.25 * (before + after));
                self.subtract(place.line + first + direction * n, value);
                (before, now) = (now, after);
                (sin, cos) = (sin * cos_step + cos * sin_step, cos * cos_step - sin * sin_step);
                scaled *= step;
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

    /// Finds and takes away dc and the harmonics of a tone at `position` lines. Amplitudes from dc, half the peak,
    /// phase at the record's middle.
    pub fn harmonics(&mut self, position: f64) -> Vec<Complex<f64>> {
        let order_max = order_max(position / self.len as f64);
        let mut found = vec![Complex::new(0.0, 0.0); order_max + 1];
        self.rounds(position, &mut found);
        found
    }

    fn rounds(&mut self, position: f64, found: &mut [Complex<f64>]) {
        const ROUNDS_MAX: usize = 12;
        let mut strongest = found.iter().skip(1).fold(0.0_f64, |most, c| most.max(c.norm()));
        for _ in 0..ROUNDS_MAX {
            found[0].re += self.take_dc();
            let mut largest = 0.0_f64;
            for order in 1..found.len() {
                let place = order as f64 * position;
                let change = self.amplitude(place);
                let size = change.norm();
                found[order] += change;
                strongest = strongest.max(found[order].norm());
                largest = largest.max(size);
                if size > 0.0 {
                    self.take(change, place, strongest);
                }
            }
            if !(largest > 1e-12 * strongest) {
                break;
            }
        }
    }

    /// The place of the tone and its harmonics, from a start that [`Lobes::settle`] found: the place is moved until
    /// what is left holds nothing that moving it would explain.
    pub fn polish(&mut self, start: f64) -> (f64, Vec<Complex<f64>>) {
        const ROUNDS_MAX: usize = 5;
        let mut position = start;
        let mut found = self.harmonics(position);
        for _ in 0..ROUNDS_MAX {
            let change = self.step(position, found.get(1).copied());
            if !(change.abs() > 2e-12 && change.abs() < 0.5) {
                break;
            }
            let strongest = found.iter().skip(1).fold(0.0_f64, |most, c| most.max(c.norm()));
            for (order, c) in found.iter().enumerate().skip(1) {
                self.take(-c, order as f64 * position, strongest);
                self.take(*c, order as f64 * (position + change), strongest);
            }
            position += change;
            self.rounds(position, &mut found);
        }
        (position, found)
    }
}

/// Phase of a tone, in rad at the record's middle, turned to the first sample.
pub(crate) fn at_start(at_middle: Complex<f64>, cycles_per_sample: f64, len: usize) -> Complex<f64> {
    let turns = (cycles_per_sample * (len as f64 - 1.0) / 2.0).fract();
    at_middle * Complex::from_polar(1.0, -TAU * turns)
}
