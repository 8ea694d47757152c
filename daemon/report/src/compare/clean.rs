//! Clean output at limits that every comparison shows, read off a run's own power curves.

use wattproof_runs::{LimitBy, RatingRecord};

use super::Side;
use super::quantities::{Quantity, QuantityCell, Told, ToldBy};
use crate::record::{CLEAN_LIMITS_PCT, clean_output_at};

/// Clean output at each of the limits, for the conditions of every judged rating.
pub fn clean(side: &Side) -> Vec<Told> {
    let mut told: Vec<Told> = Vec::new();
    for record in &side.records {
        for limit_pct in CLEAN_LIMITS_PCT {
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
    let (value, expanded_u, note) = match clean_output_at(&side.curve, record, limit_pct) {
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
