//! Clean output of a rating at the limits that every list shows: as it was judged, or read off the run's own power curve.

use std::f64::consts::LN_10;

use wattproof_method::{CleanOutput, CurvePoint as Captured, NoCleanOutput, clean_output};
use wattproof_runs::{LimitBy, RatingRecord};

use super::curve::{CurvePoint, Point};
use crate::number::significant;

/// The limits, % THD+N: 0.1 and 1 are what ratings state, 10 is what some do all the same (common practice).
pub(crate) const CLEAN_LIMITS_PCT: [f64; 3] = [0.1, 1.0, 10.0];

/// What a run tells at a limit.
pub(crate) struct CleanAt {
    pub value: f64,
    pub expanded_u: Option<f64>,
    pub note: String,
}

/// The clean output at a limit, W or V rms.
pub(crate) fn clean_output_at(
    curve: &[CurvePoint],
    record: &RatingRecord,
    limit_pct: f64,
) -> Result<CleanAt, NoCleanOutput> {
    judged(record, limit_pct).map_or_else(|| by_curve(curve, record, limit_pct), Ok)
}

/// Measured and U, in the unit of the rating.
fn measured(record: &RatingRecord) -> Option<(f64, Option<f64>)> {
    match &record.volts {
        Some(volts) => Some((volts.measured_vrms, Some(volts.expanded_u_vrms))),
        None => Some((record.measured_w?, record.expanded_u_w)),
    }
}

/// The judged rating itself, where it has this very limit and distortion bounds it.
fn judged(record: &RatingRecord, limit_pct: f64) -> Option<CleanAt> {
    let bounded = (record.distortion_pct / limit_pct - 1.0).abs() < 1e-9;
    let own = record.limit_by == LimitBy::Thdn && record.limit_pct == limit_pct && bounded;
    let (value, expanded_u) = measured(record).filter(|_| own)?;
    Some(CleanAt { value, expanded_u, note: "as judged: the rating has this limit".into() })
}

/// By interpolation; corrected to the rated load and supply as the judged power is, and no surer than that.
fn by_curve(curve: &[CurvePoint], record: &RatingRecord, limit_pct: f64) -> Result<CleanAt, NoCleanOutput> {
    let in_volts = record.volts.is_some();
    let per_decade = if in_volts { 20.0 } else { 10.0 };
    let own = curve.iter().filter(|row| row.rating == record.rating && row.point == Point::Measured);
    let point = |row: &CurvePoint| {
        Some(Captured {
            level_vrms: row.level_vrms?,
            output_db: per_decade * (if in_volts { row.out_vrms } else { row.active_w })?.log10(),
            distortion_pct: row.thdn_pct?,
        })
    };
    let points: Vec<Captured> = own.filter_map(point).collect();
    let CleanOutput { output_db, u_db, below, above } = clean_output(&points, limit_pct)?;
    let amount = |db: f64| 10f64.powf(db / per_decade);
    let value = amount(output_db) * if in_volts { 1.0 } else { record.correction };
    let relative = measured(record).and_then(|(measured, u)| Some(u? / measured));
    // Twice the standard uncertainty of the interpolation, as the rating's U is about twice its own.
    let between = 2.0 * u_db * LN_10 / per_decade;
    let unit = if in_volts { "V" } else { "W" };
    let note = format!(
        "between captures of {} {unit} at {} % and {} {unit} at {} %",
        significant(amount(below.output_db), 4),
        significant(below.distortion_pct, 3),
        significant(amount(above.output_db), 4),
        significant(above.distortion_pct, 3)
    );
    Ok(CleanAt { value, expanded_u: relative.map(|relative| value * relative.hypot(between)), note })
}
