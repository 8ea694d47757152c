//! Where the limit is crossed, from the captures' transfer curves.
//!
//! Each capture's curve tells its own crossing; the further from the capture, the less it is believed, since supply and
//! heat bend the curve with level. The captures' crossings are averaged by their errors.

use crate::points::{Point, Points};
use crate::side;
use crate::sought::{LimitOn, Sought};

/// Error of a crossing per dB of distance from the capture it was computed from, below it and above it.
const MODEL_BELOW: f64 = 0.2;
const MODEL_ABOVE: f64 = 0.3;
/// How far below and above a capture its curve is searched, dB.
const BELOW_DB: f64 = 14.0;
const ABOVE_DB: f64 = 2.1;
/// Gain taken back above which a capture's curve isn't that of a fixed stage, dB, beside scatter.
const TAKEN_DB: f64 = 0.08;
/// Distortion that neither curve nor noise shows (what doesn't follow the drive at once), percent: own choice, no source.
const HIDDEN_PCT: f64 = 0.01;
/// Distance over which an output's slope is read off a curve, dB.
const SLOPE_DB: f64 = 0.05;
/// Step of the search, dB.
const STEP_DB: f64 = 0.25;
/// How much nearer to a crossing another capture has to lie to refute it, dB, and ln(distortion/limit) below which it
/// doesn't.
const APART_DB: f64 = 0.05;
const FAR_BELOW: f64 = -1.2;

/// A level sought.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Estimate {
    /// Source level, dB re 1 V rms.
    pub x_db: f64,
    /// Its standard error, dB.
    pub se_db: f64,
    /// Rise of ln(distortion) per dB there.
    pub slope: f64,
}

/// ln(distortion/limit) that the curves of `point` predict at `x_db`, in the worst channel. `None` where a curve is
/// missing or continued too far.
pub(crate) fn excess_at(point: &Point, x_db: f64, sought: &Sought) -> Option<f64> {
    let ratio = 10f64.powf((x_db - point.x_db) / 20.0);
    let mut worst = f64::NEG_INFINITY;
    for channel in &point.seen.channels {
        let predicted = channel.curve.as_ref()?.predict(ratio, sought.harmonics_max)?;
        let noise = match sought.limit_on {
            LimitOn::Thd => 0.0,
            LimitOn::ThdN => {
                channel.noise_vrms.filter(|n| n.is_finite()).unwrap_or(0.0) / predicted.fundamental_vrms
            }
        };
        // THD is counted on the fundamental, THD+N on the whole; they differ by less than 1 % of themselves here.
        let harmonics = predicted.thd_pct / 100.0;
        let ratio2 = harmonics * harmonics + noise * noise;
        let share = match sought.limit_on {
            LimitOn::Thd => ratio2,
            LimitOn::ThdN => ratio2 / (1.0 + ratio2),
        };
        worst = worst.max(0.5 * share.max(1e-18).ln() + (100.0 / sought.limit_pct).ln());
    }
    worst.is_finite().then_some(worst)
}

/// Highest upward crossing of the limit by the curves of one capture, moved by `offset` to what its reading says.
pub(crate) fn of_point(point: &Point, offset: f64, sought: &Sought) -> Option<Estimate> {
    let value = |x: f64| excess_at(point, x, sought).map(|e| e + offset);
    let mut high_db = point.x_db + ABOVE_DB;
    let mut high = value(high_db)?;
    // A straight curve crosses nowhere; noise does below, but that is no knee.
    if high <= 0.0 {
        return None;
    }
    let mut low_db = high_db;
    let mut low = high;
    while low > 0.0 {
        (high_db, high) = (low_db, low);
        low_db -= STEP_DB;
        if low_db < point.x_db - BELOW_DB {
            return None;
        }
        low = value(low_db)?;
    }
    for _ in 0..24 {
        let middle_db = 0.5 * (low_db + high_db);
        if value(middle_db)? <= 0.0 { low_db = middle_db } else { high_db = middle_db }
    }
    let x_db = 0.5 * (low_db + high_db);
    if !is_knee(point, x_db, sought) {
        return None;
    }
    let slope = (value(x_db + 0.02)? - value(x_db - 0.02)?) / 0.04;
    let slope = slope.max((high - low) / STEP_DB * 0.5).max(0.02);
    // What a reading holds beside harmonics and noise counts as harmonics squared do: little, but at a low limit.
    let hidden = 0.5 * (HIDDEN_PCT / sought.limit_pct).powi(2);
    let se_db = (point.excess_se / slope).hypot(model_db(point, x_db)).hypot(hidden / slope);
    Some(Estimate { x_db, se_db, slope })
}

/// Harmonics hold at least half of the limit there; and a crossing above the capture is foreseen by a curve that bends
/// already. Else it is noise that crosses.
fn is_knee(point: &Point, x_db: f64, sought: &Sought) -> bool {
    let ratio = 10f64.powf((x_db - point.x_db) / 20.0);
    point.seen.channels.iter().filter_map(|c| c.curve.as_ref()).any(|curve| {
        let harmonics = curve.predict(ratio, sought.harmonics_max).map_or(0.0, |p| p.thd_pct);
        let bends =
            x_db <= point.x_db || curve.end_slope().is_some_and(|slope| slope < side::knee_slope(sought));
        harmonics > 0.5 * sought.limit_pct && bends
    })
}

/// The scalar reading and the curve's own figure at the capture's level, averaged by their scatter: offset of the
/// curve's logarithm and what remains uncertain.
pub(crate) fn corrected(point: &Point, here: f64, sought: &Sought) -> (f64, f64) {
    let read = (point.distortion_pct / sought.limit_pct).ln();
    let (reading, curve) = (sought.distortion_scatter, sought.curve_scatter);
    let off = read - here;
    if off.abs() > 5.0 * reading.hypot(curve) {
        // The record holds distortion that no static curve has: the reading alone counts.
        return (off, reading);
    }
    let weight = curve * curve / (curve * curve + reading * reading);
    (off * weight, (reading * curve) / reading.hypot(curve))
}

/// Whether capture `i` is that of a fixed stage: where gain is taken back the curve of one level says nothing about
/// another.
pub(crate) fn is_fixed(points: &Points, i: usize, sought: &Sought) -> bool {
    points.taken_db(i).is_some_and(|taken| taken < TAKEN_DB + 4.0 * sought.level_scatter_db)
}

/// By how much captures nearer to the crossing than the one it was computed from disagree with that one's curve, dB of
/// level, where errors don't explain it: then what distorts isn't a fixed curve.
fn refuted_db(points: &Points, i: usize, own: &Estimate, since: usize, sought: &Sought) -> f64 {
    let at = &points.all[i];
    let away = (own.x_db - at.x_db).abs();
    let Some(here) = excess_at(at, at.x_db, sought) else { return 0.0 };
    let nearer =
        points.all.iter().filter(|p| p.order >= since && (p.x_db - own.x_db).abs() < away - APART_DB);
    nearer
        .filter_map(|p| {
            let told = excess_at(at, p.x_db, sought)? + at.excess - here;
            // Far below the limit a floor is read, whatever the curve says.
            let off_db = (told.max(FAR_BELOW) - p.excess.max(FAR_BELOW)).abs() / own.slope;
            let allowed_db = 3.0 * at.excess_se.hypot(p.excess_se) / own.slope + model_db(at, p.x_db);
            (off_db > allowed_db).then_some(off_db)
        })
        .fold(0.0, f64::max)
}

/// Share of a small fall of the rail by which the fundamental of `point` falls, in the channel that shows most of it:
/// V = R·f(drive/R) falls by one minus the slope of V over the drive.
pub(crate) fn share_of_rail(point: &Point) -> f64 {
    let shares = point.seen.channels.iter().filter_map(|channel| {
        let curve = channel.curve.as_ref()?;
        let level = |ratio: f64| Some(20.0 * curve.predict(ratio, Some(1))?.fundamental_vrms.log10());
        Some(1.0 - (level(1.0)? - level(10f64.powf(-SLOPE_DB / 20.0))?) / SLOPE_DB)
    });
    shares.fold(0.0, f64::max)
}

/// Error of what the curve of a capture says about another level, dB.
fn model_db(point: &Point, x_db: f64) -> f64 {
    let away = x_db - point.x_db;
    if away > 0.0 { MODEL_ABOVE * away } else { MODEL_BELOW * -away }
}

/// The crossing by all captures that count, from the `since`-th on and from `from_db` up. Captures whose own crossing disagrees with the
/// surest one's by more than their errors explain are left out.
pub(crate) fn distortion(points: &Points, sought: &Sought, since: usize, from_db: f64) -> Option<Estimate> {
    let mut found: Vec<Estimate> = (0..points.all.len())
        .filter(|i| {
            let p = &points.all[*i];
            let counts = p.own.is_some() && p.order >= since && p.x_db >= from_db;
            counts && is_fixed(points, *i, sought) && !points.falls_into(*i, sought)
        })
        .filter_map(|i| {
            let own = points.all[i].own?;
            let se_db = own.se_db.hypot(refuted_db(points, i, &own, since, sought));
            Some(Estimate { se_db, ..own })
        })
        .collect();
    found.sort_by(|a, b| a.se_db.total_cmp(&b.se_db));
    let surest = *found.first()?;
    let (mut weights, mut sum, mut slopes) = (0.0, 0.0, 0.0);
    for estimate in &found {
        let apart = (estimate.x_db - surest.x_db).abs();
        if apart > 3.0 * estimate.se_db.hypot(surest.se_db) {
            continue;
        }
        let weight = estimate.se_db.max(1e-4).powi(-2);
        weights += weight;
        sum += weight * estimate.x_db;
        slopes += weight * estimate.slope;
    }
    Some(Estimate { x_db: sum / weights, se_db: weights.powf(-0.5), slope: slopes / weights })
}

/// Where the loss of gain passes its maximum, from the captures on both sides of it, or from one close to it.
pub(crate) fn compression(points: &Points, sought: &Sought) -> Option<Estimate> {
    let lost = |i: usize| points.compression_db(i) - sought.compression_db_max;
    let above = (0..points.all.len()).find(|i| lost(*i) > 0.0)?;
    let (x_above, y_above) = (points.all[above].x_db, lost(above));
    let below = above.checked_sub(1).map(|i| (points.all[i].x_db, lost(i)));
    // A limiter holds the output, so that loss grows by nearly 1 dB per dB above its threshold.
    let usual = 0.9;
    let steady = below.filter(|(_, y)| *y > 0.8 - sought.compression_db_max);
    let (slope, model) = match steady {
        Some((x, y)) => (((y_above - y) / (x_above - x)).clamp(0.1, 3.0), 0.02),
        None => (usual, 0.1),
    };
    let x_db = x_above - y_above / slope;
    let x_db = below.map_or(x_db, |(x, _)| x_db.max(x));
    let scatter = 1.5 * sought.level_scatter_db / slope;
    Some(Estimate { x_db, se_db: scatter.hypot(model * (x_above - x_db)), slope })
}
