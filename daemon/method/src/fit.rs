//! Where a noisy, locally smooth quantity crosses zero: the widest neighbourhood a low polynomial explains.

use nalgebra::{DMatrix, DVector};

/// A crossing of zero, `x` in dB of source level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Crossing {
    /// Where it crosses.
    pub x_db: f64,
    /// Standard error of that, from the scatter of the readings.
    pub se_db: f64,
    /// Slope there, per dB.
    pub slope: f64,
    /// The points lie close enough, or are many enough, that the model's own error is small too.
    pub trusted: bool,
}

/// Widest distance at which two points alone are believed, in dB.
const PAIR_REACH_DB: f64 = 0.1;

/// Widest span a straight line is believed over, dB.
const LINE_REACH_DB: f64 = 1.5;
/// Widest span a parabola is believed over, dB.
const PARABOLA_REACH_DB: f64 = 6.5;

/// Finds the upward crossing of zero of `points` (x, y) inside [`from`, `to`], y scattering with `sigma`.
///
/// Nearest points are taken in one by one; the largest sets that a line (3) or parabola (≥ 4) explains within
/// 2.2 sigma compete by standard error. Two points are a secant.
pub(crate) fn crossing(points: &[(f64, f64)], sigma: f64, from: f64, to: f64) -> Option<Crossing> {
    let mut centre = secant(points, from, to);
    let mut best = None;
    for _ in 0..2 {
        best = widest(points, sigma, from, to, centre);
        if let Some(found) = best {
            centre = found.x_db;
        }
    }
    best
}

fn widest(points: &[(f64, f64)], sigma: f64, from: f64, to: f64, centre: f64) -> Option<Crossing> {
    let mut near = points.to_vec();
    near.sort_by(|a, b| (a.0 - centre).abs().total_cmp(&(b.0 - centre).abs()));
    let mut best: Option<Crossing> = None;
    let mut misses = 0;
    for n in 2..=near.len() {
        let set = &near[..n];
        let span = span(set);
        if span < 0.02 {
            continue;
        }
        if span > PARABOLA_REACH_DB {
            break;
        }
        let degrees: &[usize] = match (span <= LINE_REACH_DB, n >= 4) {
            (true, true) => &[1, 2],
            (_, false) => &[1],
            (false, true) => &[2],
        };
        let fits: Vec<Crossing> =
            degrees.iter().filter_map(|d| polynomial(set, *d, sigma, from, to, centre)).collect();
        if fits.is_empty() {
            misses += 1;
            if misses > 2 {
                break;
            }
        }
        for found in fits {
            let better = best.is_none_or(|b| (found.trusted, -found.se_db) >= (b.trusted, -b.se_db));
            if better {
                best = Some(found);
            }
        }
    }
    best
}

fn span(set: &[(f64, f64)]) -> f64 {
    let low = set.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let high = set.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
    high - low
}

/// False position between the bounds; a far lower value (a noise floor) is clipped, as it says little.
fn secant(points: &[(f64, f64)], from: f64, to: f64) -> f64 {
    let value = |x: f64| points.iter().find(|p| (p.0 - x).abs() < 1e-9).map(|p| p.1);
    match (value(from), value(to)) {
        (Some(low), Some(high)) if high > 0.0 => {
            let low = low.clamp(-1.5, -0.05);
            to - (to - from) * high / (high - low)
        }
        _ => 0.5 * (from + to),
    }
}

fn polynomial(
    set: &[(f64, f64)],
    degree: usize,
    sigma: f64,
    from: f64,
    to: f64,
    centre: f64,
) -> Option<Crossing> {
    let n = set.len();
    let design = DMatrix::from_fn(n, degree + 1, |i, j| (set[i].0 - centre).powi(j as i32));
    let y = DVector::from_fn(n, |i, _| set[i].1);
    let covariance = (design.transpose() * &design).try_inverse()?;
    let coefficients = &covariance * design.transpose() * &y;
    let residual = &y - &design * &coefficients;
    if n > degree + 1 && residual.iter().any(|r| r.abs() > 2.2 * sigma) {
        return None;
    }
    let (c, b) = (coefficients[0], coefficients[1]);
    let a = if degree == 2 { coefficients[2] } else { 0.0 };
    let disc = b * b - 4.0 * a * c;
    if disc <= 0.0 {
        return None;
    }
    // The branch with positive slope; slope there is +sqrt(disc). This form stays exact for small a.
    let offset = if b + disc.sqrt() == 0.0 { return None } else { -2.0 * c / (b + disc.sqrt()) };
    let (x_db, slope) = (centre + offset, disc.sqrt());
    if !(x_db.is_finite() && x_db >= from && x_db <= to && slope > 1e-3) || (degree == 1 && b <= 0.0) {
        return None;
    }
    let row = DVector::from_fn(degree + 1, |j, _| offset.powi(j as i32));
    let variance = (row.transpose() * &covariance * &row)[(0, 0)];
    let se_db = sigma * variance.max(0.0).sqrt() / slope;
    let close = set.iter().all(|p| (p.0 - x_db).abs() <= PAIR_REACH_DB);
    let inside = set.iter().any(|p| p.0 <= x_db) && set.iter().any(|p| p.0 >= x_db);
    let spare = n > degree + 1 && (degree == 2 || span(set) <= LINE_REACH_DB);
    se_db.is_finite().then_some(Crossing { x_db, se_db, slope, trusted: close || (spare && inside) })
}

/// Straight line through the points by least squares, evaluated at `x`; its standard error for scatter `sigma`.
pub(crate) fn line_at(set: &[(f64, f64)], x: f64, sigma: f64) -> Option<(f64, f64, f64)> {
    let n = set.len() as f64;
    if set.is_empty() {
        return None;
    }
    let mean_x = set.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_y = set.iter().map(|p| p.1).sum::<f64>() / n;
    let sxx: f64 = set.iter().map(|p| (p.0 - mean_x).powi(2)).sum();
    if sxx < 1e-6 {
        return Some((mean_y, 0.0, sigma / n.sqrt()));
    }
    let slope = set.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum::<f64>() / sxx;
    let se = sigma * (1.0 / n + (x - mean_x).powi(2) / sxx).sqrt();
    Some((mean_y + slope * (x - mean_x), slope, se))
}

/// Slope of the least-squares line and its standard error; `None` without spread.
pub(crate) fn slope_of(set: &[(f64, f64)], sigma: f64) -> Option<(f64, f64)> {
    let n = set.len() as f64;
    let mean_x = set.iter().map(|p| p.0).sum::<f64>() / n;
    let sxx: f64 = set.iter().map(|p| (p.0 - mean_x).powi(2)).sum();
    if set.len() < 2 || sxx < 1e-4 {
        return None;
    }
    let (_, slope, _) = line_at(set, mean_x, sigma)?;
    Some((slope, sigma / sxx.sqrt()))
}
