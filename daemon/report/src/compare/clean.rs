//! Clean output at limits that every comparison shows, read off a run's own power curves.

use std::f64::consts::LN_10;

use wattproof_method::{CleanOutput, CurvePoint, NoCleanOutput, clean_output};
use wattproof_runs::{LimitBy, RatingRecord};

use super::Side;
use super::quantities::{Quantity, QuantityCell, Told, ToldBy};
use crate::number::significant;
use crate::record::Point;

/// The limits, % THD+N: 0.1 and 1 are what ratings state, 10 is what some do all the same (common practice).
pub(crate) const LIMITS_PCT: [f64; 3] = [0.1, 1.0, 10.0];

/// What a run tells at a limit.
struct Output {
    value: f64,
    expanded_u: Option<f64>,
    note: String,
}

/// Clean output at each of the limits, for the conditions of every judged rating.
pub fn clean(side: &Side) -> Vec<Told> {
    let mut told: Vec<Told> = Vec::new();
    for record in &side.records {
        for limit_pct in LIMITS_PCT {
            let one = at_limit(side, record, limit_pct);
            // Two ratings at the same conditions have two curves: the surer answer counts.
            match told.iter_mut().find(|known| known.row == one.row) {
                Some(known) if is_surer(&one.cell, &known.cell) => known.cell = one.cell,
                Some(_) => {}
                None => told.push(one),
            }
        }
    }
    told
}

fn is_surer(a: &QuantityCell, b: &QuantityCell) -> bool {
    let u = |cell: &QuantityCell| cell.expanded_u.unwrap_or(f64::INFINITY);
    match (a.value, b.value) {
        (Some(_), Some(_)) => u(a) < u(b),
        (Some(_), None) => true,
        (None, _) => false,
    }
}

fn at_limit(side: &Side, record: &RatingRecord, limit_pct: f64) -> Told {
    let (name, unit) = match record.volts {
        Some(_) => ("clean output by the curve", "V"),
        None => ("clean power by the curve", "W"),
    };
    let row = Quantity {
        load_ohm: Some(record.load_ohm),
        supply_v: Some(record.supply_v),
        hz: Some(record.hz),
        limit_pct: Some(limit_pct),
        limit_by: Some(LimitBy::Thdn),
        driven: Some(record.driven),
        ..Quantity::new(name, ToldBy::Curve, unit)
    };
    let output = judged(record, limit_pct).map_or_else(|| by_curve(side, record, limit_pct), Ok);
    let (value, expanded_u, note) = match output {
        Ok(output) => (Some(output.value), output.expanded_u, output.note),
        Err(why) => (None, None, why.to_string()),
    };
    let cell = QuantityCell {
        run: side.brief.run.clone(),
        value,
        expanded_u,
        verdict: None,
        at: String::new(),
        note,
    };
    Told { row, cell }
}

/// Measured and U, in the unit of the rating.
fn measured(record: &RatingRecord) -> Option<(f64, Option<f64>)> {
    match &record.volts {
        Some(volts) => Some((volts.measured_vrms, Some(volts.expanded_u_vrms))),
        None => Some((record.measured_w?, record.expanded_u_w)),
    }
}

/// The judged rating itself, where it has this very limit and distortion bounds it.
fn judged(record: &RatingRecord, limit_pct: f64) -> Option<Output> {
    let bounded = (record.distortion_pct / limit_pct - 1.0).abs() < 1e-9;
    let own = record.limit_by == LimitBy::Thdn && record.limit_pct == limit_pct && bounded;
    let (value, expanded_u) = measured(record).filter(|_| own)?;
    Some(Output { value, expanded_u, note: "as judged: the rating has this limit".into() })
}

/// By interpolation; corrected to the rated load and supply as the judged power is, and no surer than that.
fn by_curve(side: &Side, record: &RatingRecord, limit_pct: f64) -> Result<Output, NoCleanOutput> {
    let in_volts = record.volts.is_some();
    let per_decade = if in_volts { 20.0 } else { 10.0 };
    let own = side.curve.iter().filter(|row| row.rating == record.rating && row.point == Point::Measured);
    let point = |row: &crate::record::CurvePoint| {
        Some(CurvePoint {
            level_vrms: row.level_vrms?,
            output_db: per_decade * (if in_volts { row.out_vrms } else { row.active_w })?.log10(),
            distortion_pct: row.thdn_pct?,
        })
    };
    let points: Vec<CurvePoint> = own.filter_map(point).collect();
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
    Ok(Output { value, expanded_u: relative.map(|relative| value * relative.hypot(between)), note })
}
