//! What follows from a run's judged ratings: watts of all channels together, efficiency, price of a watt.

use wattproof_runs::RatingRecord;

use super::Side;
use super::quantities::{Quantity, QuantityCell, Told, ToldBy};

/// The quantities of every judged rating in watts.
pub fn derived(side: &Side) -> Vec<Told> {
    side.records
        .iter()
        .filter(|record| record.volts.is_none())
        .flat_map(|record| of_rating(side, record))
        .collect()
}

fn of_rating(side: &Side, record: &RatingRecord) -> Vec<Told> {
    let row = |name: &str, unit: &str| Quantity {
        load_ohm: Some(record.load_ohm),
        supply_v: Some(record.supply_v),
        hz: Some(record.hz),
        limit_pct: Some(record.limit_pct),
        limit_by: Some(record.limit_by),
        driven: Some(record.driven),
        ..Quantity::new(name, ToldBy::Rating, unit)
    };
    let told = |row: Quantity, value: Option<(f64, Option<f64>)>, note: &str| Told {
        row,
        cell: QuantityCell {
            run: side.brief.run.clone(),
            value: value.map(|(value, _)| value),
            expanded_u: value.and_then(|(_, u)| u),
            verdict: None,
            at: String::new(),
            note: note.into(),
        },
    };
    let total = total_w(side, record);
    let total_note = match &total {
        Some(_) => "all driven channels together; U as if their errors were one, which is the most it can be",
        None => "run.json tells each channel's power, and is whole only once a run has ended",
    };
    let efficiency = side.efficiency_pct.get(&record.rating).map(|pct| (*pct, None));
    let efficiency_note = "of the capture nearest the ceiling; its U is not told";
    let mut quantities = vec![
        told(row("total clean power", "W"), total, total_note),
        told(row("efficiency at the ceiling", "%"), efficiency, efficiency_note),
    ];
    let plate = &side.file.nameplate;
    if let (Some(price), Some(currency)) = (plate.price, &plate.currency) {
        // First order (JCGM 100:2008, 5.1.2): the relative U of the power; the price is exact.
        let per_w = total.filter(|(watts, _)| *watts > 0.0).map(|(watts, u)| {
            let per_w = price / watts;
            (per_w, u.map(|u| per_w * u / watts))
        });
        let note = format!("{price} {currency} over the total clean power");
        quantities.push(told(row("price per clean watt", &format!("{currency}/W")), per_w, &note));
    }
    quantities
}

/// The sum over the driven channels at the ceiling with U, W: each corrected as the weakest, which is the one judged.
fn total_w(side: &Side, record: &RatingRecord) -> Option<(f64, Option<f64>)> {
    let powers = side.file.ratings.iter().rfind(|one| one.rating == record.rating)?;
    let each = &powers.ceiling.power_w_each;
    let total_w = record.correction * each.iter().sum::<f64>();
    if each.is_empty() || !total_w.is_finite() {
        return None;
    }
    let relative = record.expanded_u_w.zip(record.measured_w).map(|(u, measured)| u / measured);
    Some((total_w, relative.map(|relative| total_w * relative)))
}
