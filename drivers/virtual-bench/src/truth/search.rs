use super::level::{COARSE_POINTS, FINE_POINTS, LevelTruth, Solver};
use super::{Truth, TruthCause, TruthError, TruthQuery};
use crate::amplifier::AmplifierSpec;
use crate::world::{db_to_ratio, ratio_to_db};

/// Step of the scan, dB.
const SCAN_DB: f64 = 0.25;
/// Depth of the scan below the source's maximum, dB.
const DEPTH_DB: f64 = 70.0;
/// Halvings of the bracket: 0.25 dB / 2^26 is far below any reading.
const HALVINGS: usize = 26;

/// Why a level doesn't qualify.
#[derive(Clone, Copy, PartialEq)]
enum Breach {
    Distortion,
    Compression,
    Trip,
}

pub(super) fn ceiling(spec: &AmplifierSpec, q: &TruthQuery) -> Result<Truth, TruthError> {
    let coarse = Solver::new(spec, q, COARSE_POINTS);
    let fine = Solver::new(spec, q, FINE_POINTS);
    let none = || TruthError::NoCeiling {
        amplifier: spec.name.clone(),
        limit_pct: q.limit_pct,
        from_vrms: q.source_vrms_max * db_to_ratio(-DEPTH_DB),
        to_vrms: q.source_vrms_max,
    };
    let (db, breach) = highest(q, |v| coarse.steady(v), |v| fine.steady(v)).ok_or_else(none)?;
    let source_vrms = q.source_vrms_max * db_to_ratio(db);
    let at = fine.steady(source_vrms);
    let weakest = weakest(q, &at);
    let burst_db = highest(q, |v| coarse.burst(v), |v| fine.burst(v)).ok_or_else(none)?.0;
    let burst = fine.burst(q.source_vrms_max * db_to_ratio(burst_db));
    let burst_vrms = burst.out_vrms[self::weakest(q, &burst)];
    Ok(Truth {
        power_w: at.out_vrms[weakest].powi(2) / q.load_ohm,
        full_power_w: at.full_vrms[weakest].powi(2) / q.load_ohm,
        out_vrms: at.out_vrms[weakest],
        source_vrms,
        thdn_pct: worst_thdn(q, &at),
        cause: cause(q, &fine, source_vrms, &at, breach),
        burst_power_w: burst_vrms.powi(2) / q.load_ohm,
        efficiency: at.efficiency,
        supply_a: at.supply_a,
    })
}

/// Highest level, in dB below the source's maximum, without a breach; and the breach just above it.
///
/// The scan comes from the top, so noise and crossover bumps at low level are never met as a ceiling.
fn highest(
    q: &TruthQuery,
    coarse: impl Fn(f64) -> LevelTruth,
    fine: impl Fn(f64) -> LevelTruth,
) -> Option<(f64, Option<Breach>)> {
    let at = |db: f64| q.source_vrms_max * db_to_ratio(db);
    if breach(q, &fine(at(0.0))).is_none() {
        return Some((0.0, None));
    }
    let steps = (DEPTH_DB / SCAN_DB) as usize;
    let good = (1..=steps).map(|k| -SCAN_DB * k as f64).find(|&db| breach(q, &coarse(at(db))).is_none())?;
    // A margin of a hundredth of a step covers the difference between coarse and fine spectra.
    let (mut low, mut high) = (good - SCAN_DB / 100.0, good + SCAN_DB * 1.01);
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if breach(q, &fine(at(middle))).is_none() { low = middle } else { high = middle }
    }
    Some((low, breach(q, &fine(at(high)))))
}

fn breach(q: &TruthQuery, level: &LevelTruth) -> Option<Breach> {
    let lost_db_max = if q.limit_pct >= 10.0 { 6.0 } else { 3.0 };
    if level.trips {
        Some(Breach::Trip)
    } else if worst_thdn(q, level) > q.limit_pct {
        Some(Breach::Distortion)
    } else if level.compression_db.iter().take(q.channels_driven).any(|&db| db > lost_db_max) {
        Some(Breach::Compression)
    } else {
        None
    }
}

fn worst_thdn(q: &TruthQuery, level: &LevelTruth) -> f64 {
    level.thdn_pct.iter().take(q.channels_driven).copied().fold(0.0, f64::max)
}

fn weakest(q: &TruthQuery, level: &LevelTruth) -> usize {
    let driven = level.out_vrms.iter().take(q.channels_driven).enumerate();
    driven.min_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |(output, _)| output)
}

fn cause(
    q: &TruthQuery,
    fine: &Solver<'_>,
    source_vrms: f64,
    at: &LevelTruth,
    breach: Option<Breach>,
) -> TruthCause {
    match breach {
        None => return TruthCause::DriveExhausted,
        Some(Breach::Trip) => return TruthCause::Protection,
        Some(Breach::Distortion | Breach::Compression) => {}
    }
    let least = |each: &[f64]| each.iter().copied().fold(f64::INFINITY, f64::min);
    if ratio_to_db(least(&at.limiter)) < -0.5 {
        return TruthCause::Limiting;
    }
    if ratio_to_db(least(&at.fold)) < -0.2 {
        return TruthCause::Thermal;
    }
    if at.current_limited[0] {
        return TruthCause::CurrentLimit;
    }
    let rest = fine.steady(0.0);
    if ratio_to_db(at.rail_v[0] / rest.rail_v[0]) < -0.2 {
        return TruthCause::Sag;
    }
    // d ln THD per dB at the ceiling: 1.3 parts a sharp knee from a rounded one (common practice, no source).
    let step_db = 0.05;
    let below = worst_thdn(q, &fine.steady(source_vrms * db_to_ratio(-step_db)));
    let slope = (worst_thdn(q, at) / below).ln() / step_db;
    if slope > 1.3 { TruthCause::Clipping } else { TruthCause::SoftClipping }
}
