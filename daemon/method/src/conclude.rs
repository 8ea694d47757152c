//! Turns the captures and the level found into the answer: power, uncertainty, bracket, bump, cause.

use crate::cause::{self, Facts};
use crate::ceiling::{Bracket, Ceiling, LowLevelBump};
use crate::estimate;
use crate::fit;
use crate::points::{Point, Points};
use crate::side::Side;
use crate::sought::Sought;

/// What set the upper end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Bound {
    /// Distortion reached the limit.
    Distortion,
    /// Gain loss reached its maximum.
    Compression,
    /// The source has no more.
    Range,
    /// A higher level could pass the declared maximum.
    DeclaredMax,
    /// The amplifier's protection.
    Trip,
}

/// Reach of the local line through power, dB.
const LOCAL_DB: f64 = 0.3;

/// Where the search ended.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Found {
    /// Source level, dB re 1 V rms.
    pub x_db: f64,
    /// Its standard error, dB.
    pub se_db: f64,
    /// What set it.
    pub bound: Bound,
    /// Observations used.
    pub captures: usize,
    /// Captures before this one were made while the amplifier still drifted.
    pub since: usize,
    /// What the output may still have to fall at the same drive, and how well noise lets that be told, dB; `None` where
    /// no record told.
    pub unsettled_db: Option<(f64, f64)>,
}

pub(crate) fn ceiling(
    sought: &Sought,
    points: &Points,
    looks: &[Point],
    drifted: &[Point],
    sides: &[Side],
    found: &Found,
) -> Option<Ceiling> {
    let Found { x_db, se_db, bound, captures, since, .. } = *found;
    let channels = points.all.first()?.out_db.len();
    let near = points.all.iter().min_by(|a, b| (a.x_db - x_db).abs().total_cmp(&(b.x_db - x_db).abs()))?;
    let at_near = points.all.iter().position(|p| std::ptr::eq(p, near)).unwrap_or(0);
    let curved = near.seen.channels.iter().any(|c| c.curve.is_some());
    let static_curve =
        bound != Bound::Compression && (!curved || estimate::is_fixed(points, at_near, sought));
    let by_curve = |c: usize| {
        if static_curve { carried(points, since, x_db, sought, c) } else { None }
    };
    let out_db = |c: usize| {
        by_curve(c).map_or_else(|| local(points, x_db, sought, !static_curve, |p| p.out_db[c]), Some)
    };
    // Power per volt of the fundamental hardly changes around the ceiling: the nearest capture's is taken over.
    let power_db = |c: usize| match by_curve(c) {
        Some(carried) => {
            let load_db = 10.0 * near.power_w[c].log10() - near.out_db[c];
            Some(Local { db: carried.db + load_db, ..carried })
        }
        None => local(points, x_db, sought, !static_curve, |p| 10.0 * p.power_w[c].log10()),
    };
    let mut powers = Vec::new();
    for c in 0..channels {
        powers.push(power_db(c)?);
    }
    let (weakest, at) = powers.iter().enumerate().min_by(|a, b| a.1.db.total_cmp(&b.1.db))?;
    let power_w = 10f64.powf(at.db / 10.0);
    let u_db = (at.slope * se_db)
        .hypot(at.se_db)
        .hypot(unsaid_db(found, at.slope, sought))
        .hypot(beyond_db(points, found));
    let compression_db = (0..channels)
        .filter_map(|c| {
            let gain = points.all.iter().filter(|p| p.x_db <= x_db + LOCAL_DB).map(|p| p.out_db[c] - p.x_db);
            Some(gain.max_by(f64::total_cmp)? - (out_db(c)?.db - x_db))
        })
        .fold(0.0, f64::max);
    let below =
        sides.iter().enumerate().rev().find(|(i, s)| **s == Side::Good && points.all[*i].x_db <= x_db + 1e-9);
    let above = sides
        .iter()
        .enumerate()
        .find(|(i, s)| matches!(s, Side::Distorted | Side::Compressed) && points.all[*i].x_db >= x_db - 1e-9);
    let facts = Facts { sought, points, looks, drifted, sides, x_db, bound, compression_db, near };
    let (cause, evidence) = cause::classify(&facts);
    let distortion = if bound == Bound::Distortion { sought.limit_pct } else { near.distortion_pct };
    Some(Ceiling {
        level_vrms: 10f64.powf(x_db / 20.0),
        level_dbv: x_db,
        out_vrms: 10f64.powf(out_db(weakest)?.db / 20.0),
        power_w,
        power_w_each: powers.iter().map(|p| 10f64.powf(p.db / 10.0)).collect(),
        thdn_pct: distortion,
        u_interpolation_w: power_w * u_db * std::f64::consts::LN_10 / 10.0,
        u_level_db: se_db,
        below: below.map(|(i, _)| bracket(&points.all[i])),
        above: above.map(|(i, _)| bracket(&points.all[i])),
        cause,
        evidence,
        captures,
        compression_db,
        low_level_bump: bump(points, sides, x_db, sought),
        load_ohm_measured: near.lowest(|c| c.load_ohm_measured),
        supply_v: near.seen.supply_v.filter(|v| v.is_finite()),
        efficiency_pct: efficiency(near),
    })
}

/// What captures and curves leave unsaid, dB. An output that falls by heat or a weak supply, at the same drive, by x dB
/// takes the ceiling down by more: V = R·f(drive/R) of the rail R falls by 1 − slope of the rail's fall, while the
/// ceiling follows the rail. The expected scatter is itself known roughly.
fn unsaid_db(found: &Found, slope: f64, sought: &Sought) -> f64 {
    let share = if found.bound == Bound::Distortion { (1.0 - slope).clamp(SHARE_LEAST, 1.0) } else { 1.0 };
    // A record too noisy to tell says no less than none.
    let unsettled_db = found
        .unsettled_db
        .map_or(UNTOLD_DB, |(fall_db, noise_db)| (fall_db / share).hypot((noise_db / share).min(UNTOLD_DB)));
    unsettled_db.hypot(SCATTER_DOUBT * sought.level_scatter_db).hypot(LEAST_DB)
}

/// What may happen between the highest capture and a declared maximum a little above it, dB: a limiter may set in.
fn beyond_db(points: &Points, found: &Found) -> f64 {
    let top_db = points.all.last().map_or(found.x_db, |p| p.x_db);
    if found.bound == Bound::DeclaredMax { BEYOND * (found.x_db - top_db).max(0.0) } else { 0.0 }
}

/// Standard uncertainty per dB of that distance: output may follow the drive, or not at all.
const BEYOND: f64 = 0.58;
/// Least share of a rail's fall that the fundamental shows at the ceiling.
const SHARE_LEAST: f64 = 0.1;
/// Doubt of the expected scatter, as a share of it.
const SCATTER_DOUBT: f64 = 0.5;
/// What curves of finite resolution leave out, dB, and what drift may, where no record tells of it.
const LEAST_DB: f64 = 0.002;
const UNTOLD_DB: f64 = 0.013;
/// Distance up to which a capture's own output is carried instead of that of a line between far ones, dB.
const REBASE_DB: f64 = 0.06;
/// Usual rise of a limiter's output, dB per dB of drive.
const LIMITED_SLOPE: f64 = 0.1;
/// Error of an output carried along a curve, dB per dB of distance: supply and heat follow the level.
const CARRIED: f64 = 0.08;
/// Furthest a capture's output is carried, dB.
const CARRIED_DB: f64 = 2.5;

#[derive(Debug, Clone, Copy)]
struct Local {
    db: f64,
    slope: f64,
    se_db: f64,
}

/// Output of channel `c` at `x_db`, dB re 1 V rms: each near capture's own, carried there along its transfer curve,
/// averaged by error. `None` where no capture near shows a curve.
fn carried(points: &Points, since: usize, x_db: f64, sought: &Sought, c: usize) -> Option<Local> {
    let at = |p: &Point, x: f64| {
        let ratio = 10f64.powf((x - p.x_db) / 20.0);
        let predicted = p.seen.channels.get(c)?.curve.as_ref()?.predict(ratio, sought.harmonics_max)?;
        Some(20.0 * predicted.fundamental_vrms.log10())
    };
    let (mut weights, mut sum, mut slopes) = (0.0, 0.0, 0.0);
    for (i, p) in points.all.iter().enumerate() {
        if p.order < since || (p.x_db - x_db).abs() > CARRIED_DB || !estimate::is_fixed(points, i, sought) {
            continue;
        }
        let (Some(there), Some(here)) = (at(p, x_db), at(p, p.x_db)) else { continue };
        let slope = at(p, x_db - 0.05).map_or(1.0, |below| (there - below) / 0.05);
        let weight = sought.level_scatter_db.hypot(CARRIED * (x_db - p.x_db)).powi(-2);
        weights += weight;
        sum += weight * (p.out_db[c] + there - here);
        slopes += weight * slope;
    }
    (weights > 0.0).then(|| Local { db: sum / weights, slope: slopes / weights, se_db: weights.powf(-0.5) })
}

/// A level in dB at `x_db`: the line through what the captures around it gained or lost.
fn local(
    points: &Points,
    x_db: f64,
    sought: &Sought,
    limited: bool,
    pick: impl Fn(&Point) -> f64,
) -> Option<Local> {
    let loss = |p: &Point| (p.x_db, pick(p) - p.x_db);
    let mut set: Vec<(f64, f64)> =
        points.all.iter().filter(|p| (p.x_db - x_db).abs() <= LOCAL_DB).map(loss).collect();
    let nearest = points.all.iter().min_by(|a, b| (a.x_db - x_db).abs().total_cmp(&(b.x_db - x_db).abs()));
    if let Some(near) = nearest.filter(|p| limited && (p.x_db - x_db).abs() <= LOCAL_DB) {
        // A limiter: output hardly follows the drive.
        let away = x_db - near.x_db;
        let other = points
            .all
            .iter()
            .filter(|p| (1.0..6.0).contains(&(p.x_db - near.x_db)))
            .map(|p| (pick(p) - pick(near)) / (p.x_db - near.x_db))
            .next();
        let slope = other.map_or(LIMITED_SLOPE, |slope| slope.clamp(0.0, 0.6));
        let se_db = sought.level_scatter_db.hypot(0.15 * away);
        return Some(Local { db: pick(near) + slope * away, slope, se_db });
    }
    let straddles = set.iter().any(|p| p.0 <= x_db) && set.iter().any(|p| p.0 >= x_db);
    if !straddles || set.len() < 2 {
        let below = points.all.iter().rev().find(|p| p.x_db <= x_db);
        let above = points.all.iter().find(|p| p.x_db > x_db);
        set = match (below, above) {
            // Nothing above (range, declared maximum, trip): the nearest capture below, at its own gain.
            (Some(b), None) => vec![loss(b)],
            _ => below.into_iter().chain(above).map(loss).collect(),
        };
    }
    let (mut loss_db, slope, mut se_db) = fit::line_at(&set, x_db, sought.level_scatter_db)?;
    if let Some(near) = nearest.filter(|p| !straddles && (p.x_db - x_db).abs() <= REBASE_DB) {
        // A line between far captures gives the slope only; the output bends between them.
        loss_db = loss(near).1 + slope * (x_db - near.x_db);
        se_db = sought.level_scatter_db;
    }
    let local = Local { db: loss_db + x_db, slope: 1.0 + slope, se_db };
    local.db.is_finite().then_some(local)
}

fn bracket(p: &Point) -> Bracket {
    Bracket { level_vrms: p.level_vrms(), power_w: p.lowest_w(), thdn_pct: p.distortion_pct }
}

fn efficiency(p: &Point) -> Option<f64> {
    let supply_w = p.seen.supply_v? * p.seen.supply_a?;
    let pct = 100.0 * p.power_w.iter().sum::<f64>() / supply_w;
    (supply_w > 0.0 && pct.is_finite()).then_some(pct)
}

/// The worst capture below the ceiling that broke the limit without a knee.
fn bump(points: &Points, sides: &[Side], x_db: f64, sought: &Sought) -> Option<LowLevelBump> {
    let worst = (0..sides.len())
        .filter(|i| sides[*i] == Side::Bump && points.all[*i].x_db < x_db)
        .max_by(|a, b| points.all[*a].distortion_pct.total_cmp(&points.all[*b].distortion_pct))?;
    let p = &points.all[worst];
    let shares: Vec<f64> = (p.seen.channels.iter())
        .filter_map(|c| Some(100.0 * c.noise_vrms? / c.fundamental_vrms?).filter(|s| s.is_finite()))
        .collect();
    let noise_dominated = match sought.limit_on {
        _ if shares.is_empty() => None,
        _ => Some(shares.iter().copied().fold(0.0, f64::max) > 0.7 * p.distortion_pct),
    };
    Some(LowLevelBump {
        level_vrms: p.level_vrms(),
        power_w: p.lowest_w(),
        thdn_pct: p.distortion_pct,
        noise_dominated,
    })
}
