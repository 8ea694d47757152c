//! Clean output at the three limits as bars, a set for each conditions.

use super::quantities::ToldBy;
use super::{Comparison, Quantity};
use crate::figures::{Bar, Bars, Setting, draw_bars};
use crate::number::significant;
use crate::record::CLEAN_LIMITS_PCT;

/// The figure; absent where no rating has a curve.
pub(crate) fn draw(compared: &Comparison, subtitle: &str, setting: Setting) -> Option<String> {
    let sets = sets(compared);
    let names: Vec<String> = compared
        .columns
        .iter()
        .enumerate()
        .map(|(at, column)| format!("{}: {}", super::letter(at), column.title))
        .collect();
    let limits: Vec<String> = CLEAN_LIMITS_PCT.iter().map(|pct| significant(*pct, 2)).collect();
    let title = format!("Clean output at {} % THD+N", limits.join(", "));
    (!sets.is_empty()).then(|| draw_bars(&sets, &names, &title, subtitle, setting))
}

fn sets(compared: &Comparison) -> Vec<Bars> {
    let mut sets: Vec<Bars> = Vec::new();
    for row in compared.quantities.iter().filter(|row| row.told_by == ToldBy::Curve) {
        let conditions = Quantity { limit_pct: None, limit_by: None, ..row.clone() }.conditions();
        let unit = if row.unit == "V" { "V" } else { "W" };
        let pct = row.limit_pct.map_or(String::new(), |pct| significant(pct, 2));
        let bars = row.cells.iter().enumerate().filter_map(|(at, cell)| {
            let cell = cell.as_ref()?;
            Some(Bar {
                name: format!("{} {pct} %", super::letter(at)),
                colour: at,
                value: cell.value.map(|value| (value, cell.expanded_u)),
                why: cell.note.clone(),
            })
        });
        match sets.iter_mut().find(|set| set.conditions == conditions && set.unit == unit) {
            Some(set) => set.bars.extend(bars),
            None => sets.push(Bars { conditions, unit, bars: bars.collect() }),
        }
    }
    sets
}
