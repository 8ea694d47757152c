//! Where steady sines meet the straight lines of a hard transfer.

use std::f64::consts::TAU;

use super::World;
use super::corners::{Corner, ORDERS};
use super::slow::Operating;

/// Nearer than this two moments are the same, samples.
const NEAR: f64 = 1.0e-9;
/// Turns of a search at most; some ten are enough.
const TURNS_MAX: usize = 80;

/// A block of samples, over which gain and limits glide in straight lines.
#[derive(Debug, Clone, Copy)]
pub(super) struct Span {
    /// Time of the first sample, s.
    pub t0_s: f64,
    /// From one sample to the next, s.
    pub dt_s: f64,
    /// How many.
    pub samples: usize,
    /// At the first sample.
    pub from: Operating,
    /// Behind the last one.
    pub to: Operating,
}

/// A sine behind a gliding gain, by samples since the start of its block.
#[derive(Debug, Clone, Copy)]
struct Wave {
    /// V peak before the gain.
    peak_v: f64,
    /// Phase at the start, cycles.
    cycles: f64,
    /// Cycles per sample.
    turn: f64,
    /// Gain at the start, and how it rises per sample.
    gain: Line,
}

#[derive(Debug, Clone, Copy)]
struct Line {
    at_0: f64,
    rise: f64,
}

impl Line {
    fn new(from: f64, to: f64, samples: f64) -> Self {
        Self { at_0: from, rise: (to - from) / samples }
    }

    fn at(self, n: f64) -> f64 {
        self.at_0 + self.rise * n
    }
}

impl Wave {
    fn at(self, n: f64) -> f64 {
        self.peak_v * self.gain.at(n) * (TAU * (self.cycles + self.turn * n)).sin()
    }

    /// Its first three derivatives by samples.
    fn derivatives(self, n: f64) -> [f64; ORDERS] {
        let (sin, cos) = (TAU * (self.cycles + self.turn * n)).sin_cos();
        let (w, g, rise) = (TAU * self.turn, self.gain.at(n), self.gain.rise);
        [
            self.peak_v * (g * w * cos + rise * sin),
            self.peak_v * (2.0 * rise * w * cos - g * w * w * sin),
            -self.peak_v * (g * w.powi(3) * cos + 3.0 * rise * w * w * sin),
        ]
    }

    /// The moments that part its quarters, with start and end of the block.
    fn quarters(self, samples: f64) -> Vec<f64> {
        let mut parts = vec![0.0];
        let mut quarter = (4.0 * self.cycles).floor() + 1.0;
        loop {
            let at = (quarter / 4.0 - self.cycles) / self.turn;
            // Also what is no number: a sine of 0 Hz.
            if !(at < samples) {
                break;
            }
            parts.push(at.max(0.0));
            quarter += 1.0;
        }
        parts.push(samples);
        parts
    }
}

impl World {
    /// Where a steady sine meets limits and dead zone of a hard transfer, and how its derivatives jump there.
    pub(super) fn corners(&self, ch: usize, span: Span) -> Vec<Corner> {
        let source = &self.sources[ch];
        let (peak_v, hz) = source.tones(span.t0_s)[0];
        if peak_v == 0.0 {
            return Vec::new();
        }
        let samples = span.samples as f64;
        let line = |of: fn(&Operating) -> f64| Line::new(of(&span.from), of(&span.to), samples);
        let gain = line(|operating| operating.gain);
        let wave = Wave { peak_v, cycles: source.cycles(span.t0_s).fract(), turn: hz * span.dt_s, gain };
        let limits = [line(|operating| operating.limits.pos_v), line(|operating| operating.limits.neg_v)];
        let output = &self.spec.physics.output;
        let (zone_v, depth) = (output.dead_zone_v, output.dead_zone_depth);
        let mut found = Vec::new();
        for part in wave.quarters(samples).windows(2) {
            let middle = wave.at((part[0] + part[1]) / 2.0);
            let side = 1.0_f64.copysign(middle);
            let limit = limits[usize::from(middle < 0.0)];
            // A limit within the dead zone is one on its way to silence.
            let within = limit.at(part[0]).min(limit.at(part[1])) > zone_v;
            let edge = Line { at_0: limit.at_0 + depth * zone_v, rise: limit.rise };
            if within && let Some((at, inwards)) = meets(part, |n| side * wave.at(n) - edge.at(n)) {
                let mut jumps = wave.derivatives(at).map(|derivative| inwards * derivative);
                jumps[0] -= inwards * side * edge.rise;
                found.push(Corner { at, jumps });
            }
            if depth * zone_v != 0.0
                && within
                && let Some((at, inwards)) = meets(part, |n| side * wave.at(n) - zone_v)
            {
                let jumps = wave.derivatives(at).map(|derivative| -inwards * depth * derivative);
                found.push(Corner { at, jumps });
            }
        }
        found
    }
}

/// Where `beyond` changes its sign within a part in which it does so at most once; 1 with it if it falls, −1 if it rises.
fn meets(part: &[f64], beyond: impl Fn(f64) -> f64) -> Option<(f64, f64)> {
    let (mut a, mut b) = (part[0], part[1]);
    let (mut at_a, mut at_b) = (beyond(a), beyond(b));
    if (at_a > 0.0) == (at_b > 0.0) {
        return None;
    }
    let inwards = if at_a > 0.0 { 1.0 } else { -1.0 };
    // False position, with the end that stays given less weight (the Illinois rule; Dowell and Jarratt 1971, from memory).
    let (mut last, mut moved_a) = (f64::INFINITY, None);
    for _ in 0..TURNS_MAX {
        let middle = (a * at_b - b * at_a) / (at_b - at_a);
        let at_middle = beyond(middle);
        if (middle - last).abs() < NEAR || at_middle == 0.0 {
            return Some((middle, inwards));
        }
        last = middle;
        let moves_a = (at_middle > 0.0) == (at_a > 0.0);
        let again = moved_a == Some(moves_a);
        if moves_a {
            (a, at_a) = (middle, at_middle);
            at_b *= if again { 0.5 } else { 1.0 };
        } else {
            (b, at_b) = (middle, at_middle);
            at_a *= if again { 0.5 } else { 1.0 };
        }
        moved_a = Some(moves_a);
    }
    Some((last, inwards))
}
