//! How a level answers a step: where it starts, where it settles, how long it takes from one to the other.
//!
//! No model of the mechanism is fitted to the whole: an exponential would be wrong for an amplifier with a quick and
//! a slow mechanism. Only the tail, where one mechanism is left, counts as geometric.

use std::f64::consts::E;

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

/// Fewest blocks that tell a response.
const BLOCKS_MIN: usize = 12;
/// A tail that keeps more than this share of its movement from one third to the next can't be extrapolated.
const TAIL_RATIO_MAX: f64 = 0.8;
/// A change counts from this many times its own scatter, and from this share of the level.
const CHANGE_SIGMAS: f64 = 5.0;
const CHANGE_SHARE: f64 = 0.002;
/// The start is extrapolated from the part in which this share of the change happens.
const EARLY_SHARE: f64 = 0.25;
/// Half-width of the stretch about the 63 % point that it is read from, as a share of its time.
const STRETCH: f64 = 0.4;

/// What a level did after a step. Every number carries the unit of the levels or s.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq)]
pub struct Response {
    /// Level right after the step: the first blocks, extrapolated to the step itself.
    pub start: f64,
    /// Type A standard uncertainty of `start`, with an allowance for the curve of the extrapolation.
    pub u_start: f64,
    /// Level at the end of the record: the last sixth's mean.
    pub last: f64,
    /// Level it settles at; `None` if the record ends before that can be told.
    pub settled: Option<f64>,
    /// Standard uncertainty of `settled`.
    pub u_settled: Option<f64>,
    /// Time from the step until 63.2 % (1 − 1/e) of the change has happened, s; `None` without a change, or
    /// without an end to it.
    pub attack_s: Option<f64>,
    /// Standard uncertainty of `attack_s`, s.
    pub u_attack_s: Option<f64>,
    /// Scatter of one block, as a standard deviation.
    pub scatter: f64,
}

/// Reads the response in blocks of `block_s`, the first of which begins with the step. `None` with too few blocks
/// or one that is no number.
pub fn respond(levels: &[f64], block_s: f64) -> Option<Response> {
    if levels.len() < BLOCKS_MIN || !(block_s > 0.0) || levels.iter().any(|level| !level.is_finite()) {
        return None;
    }
    let scatter = scatter(levels);
    let tail = Tail::of(levels, scatter);
    let settled = tail.settled();
    let towards = settled.map_or(tail.means[2], |(level, _)| level);
    let (start, u_start) = start(levels, towards, scatter);
    let changed = (start - towards).abs() > (CHANGE_SIGMAS * scatter).max(CHANGE_SHARE * start.abs());
    let attack = settled.filter(|_| changed).and_then(|settled| {
        attack(levels, (start, u_start), settled, scatter).map(|(at, u)| (at * block_s, u * block_s))
    });
    Some(Response {
        start,
        u_start,
        last: tail.means[2],
        settled: settled.map(|(level, _)| level),
        u_settled: settled.map(|(_, u)| u),
        attack_s: attack.map(|(at_s, _)| at_s),
        u_attack_s: attack.map(|(_, u_s)| u_s),
        scatter,
    })
}

/// Standard deviation of one block from second differences of the second half, which any smooth course leaves out.
fn scatter(levels: &[f64]) -> f64 {
    let half = levels.get(levels.len() / 2..).unwrap_or_default();
    let squares: f64 = half.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).powi(2)).sum();
    (squares / 6.0 / half.len().saturating_sub(2).max(1) as f64).sqrt()
}

/// Means of the three thirds of the second half.
struct Tail {
    means: [f64; 3],
    u_mean: f64,
}

impl Tail {
    fn of(levels: &[f64], scatter: f64) -> Self {
        let third = levels.len() / 6;
        let mean = |from_end: usize| {
            let end = levels.len() - from_end * third;
            levels[end - third..end].iter().sum::<f64>() / third as f64
        };
        Tail { means: [mean(2), mean(1), mean(0)], u_mean: scatter / (third as f64).sqrt() }
    }

    /// Aitken's formula on the means: exact for a tail that decays geometrically, with all its noise averaged.
    fn settled(&self) -> Option<(f64, f64)> {
        let [first, second, third] = self.means;
        let (before, after) = (second - first, third - second);
        let seen = 2.0 * std::f64::consts::SQRT_2 * self.u_mean;
        let tiny = 1e-6 * third.abs();
        if after.abs() <= seen.max(tiny) {
            return Some(if before.abs() <= seen.max(tiny) {
                ((first + second + third) / 3.0, self.u_mean / 3f64.sqrt())
            } else {
                // What is still to come is less than what came last.
                (third, self.u_mean.hypot(after.abs() / 3f64.sqrt()))
            });
        }
        let ratio = after / before;
        if !(0.0..=TAIL_RATIO_MAX).contains(&ratio) {
            // Little movement and much noise make any ratio: about as much is to come as came last. A movement
            // over both thirds that noise can't make is a drift without an end.
            let level = third + after / 2.0;
            let noisy = (third - first).abs() <= 2.5 * seen;
            return noisy.then_some((level, self.u_mean.hypot(after / 2.0)));
        }
        let to_come = after * ratio / (1.0 - ratio);
        let level = third + to_come;
        let bend = after - before;
        let weights = [(third - level) / bend, -2.0 * (second - level) / bend, (first - level) / bend];
        let u_noise = self.u_mean * weights.iter().map(|w| w * w).sum::<f64>().sqrt();
        // A tenth of the correction for a tail that is not quite geometric.
        Some((level, u_noise.hypot(0.1 * to_come)))
    }
}

/// The level at the step itself and its uncertainty, from as many blocks as show the first quarter of the change.
fn start(levels: &[f64], towards: f64, scatter: f64) -> (f64, f64) {
    let longest = (levels.len() / 4).max(3);
    let mut count = 3;
    let mut found = extrapolate(levels, count);
    for _ in 0..4 {
        let change = found.0 - towards;
        if change.abs() <= (CHANGE_SIGMAS * scatter).max(CHANGE_SHARE * found.0.abs()) {
            // Nothing changes: the more blocks the better.
            count = longest.min(16);
            found = extrapolate(levels, count);
            break;
        }
        let early = crossing(levels, found.0, found.0 - EARLY_SHARE * change).unwrap_or(3.0);
        count = (early.round() as usize).clamp(3, longest);
        found = extrapolate(levels, count);
    }
    // Two hundredths of the change, rectangular, for the curve that a line or parabola can't follow.
    let bend = 0.02 * (found.0 - towards) / 3f64.sqrt();
    (found.0, (scatter * found.1).hypot(bend))
}

/// The first blocks extrapolated to time 0, and the factor from a block's scatter to that of the result.
fn extrapolate(levels: &[f64], count: usize) -> (f64, f64) {
    let degree = if count < 6 { 1 } else { 2 };
    let points: Vec<(f64, f64)> =
        levels.iter().take(count).enumerate().map(|(n, y)| (centre(n), *y)).collect();
    match Polynomial::through(&points, 0.0, degree) {
        Some(fit) => (fit.value, fit.spread),
        None => (levels.first().copied().unwrap_or(f64::NAN), 1.0),
    }
}

/// Middle of a block, in blocks from the step.
fn centre(block: usize) -> f64 {
    block as f64 + 0.5
}

/// When the course passes a level, in blocks from the step: half way between the first and the last passage of a
/// noisy one.
fn crossing(levels: &[f64], start: f64, level: f64) -> Option<f64> {
    let beyond = |y: f64| (y - level) * (start - level) <= 0.0;
    let first = levels.iter().position(|y| beyond(*y))?;
    // After a long time beyond it, a single block does not count as a return.
    let last = (first..levels.len()).take(2 * first + 4).rfind(|n| !beyond(levels[*n]));
    let passage = |n: usize| {
        let (before, at) = if n == 0 { (start, 0.0) } else { (levels[n - 1], centre(n - 1)) };
        let share = (before - level) / (before - levels[n]);
        at + if share.is_finite() { share.clamp(0.0, 1.0) } else { 1.0 } * (centre(n) - at)
    };
    let early = passage(first);
    Some(match last.filter(|n| n + 1 < levels.len()) {
        Some(n) => f64::midpoint(early, passage(n + 1)),
        None => early,
    })
}

/// Time to 63 % of the change and its uncertainty, in blocks.
fn attack(levels: &[f64], start: (f64, f64), settled: (f64, f64), scatter: f64) -> Option<(f64, f64)> {
    let level = settled.0 + (start.0 - settled.0) / E;
    let mut at = crossing(levels, start.0, level)?;
    let mut slope = (start.0 - settled.0) / E / at.max(0.5);
    let mut spread = 1.0;
    for _ in 0..3 {
        let inside = |n: &usize| (centre(*n) - at).abs() <= STRETCH * at;
        let points: Vec<(f64, f64)> =
            (0..levels.len()).filter(inside).map(|n| (centre(n), levels[n])).collect();
        if points.len() < 5 {
            break;
        }
        let fit = Polynomial::through(&points, at, 2)?;
        let moved = at + (level - fit.value) / fit.slope;
        if !(moved > (1.0 - STRETCH) * at && moved < (1.0 + STRETCH) * at) {
            break;
        }
        (at, slope, spread) = (moved, fit.slope, fit.spread);
    }
    let u_level = (start.1 / E).hypot(settled.1 * (1.0 - 1.0 / E)).hypot(scatter * spread);
    let u = u_level / slope.abs();
    (at.is_finite() && u.is_finite()).then_some((at, u))
}

/// A least-squares polynomial, read at one place.
struct Polynomial {
    value: f64,
    slope: f64,
    /// Standard deviation of `value` per standard deviation of a point.
    spread: f64,
}

impl Polynomial {
    fn through(points: &[(f64, f64)], at: f64, degree: usize) -> Option<Self> {
        let width = points.iter().map(|(x, _)| (x - at).abs()).fold(1e-9, f64::max);
        let power = |x: f64, exponent: usize| ((x - at) / width).powi(i32::try_from(exponent).unwrap_or(0));
        let design = DMatrix::from_fn(points.len(), degree + 1, |row, column| power(points[row].0, column));
        let values = DVector::from_fn(points.len(), |row, _| points[row].1);
        let inverse = (design.transpose() * &design).cholesky()?.inverse();
        let found = &inverse * design.transpose() * values;
        Some(Polynomial { value: found[0], slope: found[1] / width, spread: inverse[(0, 0)].sqrt() })
    }
}
