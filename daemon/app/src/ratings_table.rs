//! The table of ratings that ends a run.

use comfy_table::CellAlignment;
use wattproof_runs::RatingRecord;

use crate::table::{plain_table, printed};

/// Rated against measured, a line a rating; fits 80 columns.
pub fn ratings_table(records: &[RatingRecord]) -> String {
    // All of a nameplate are in the same.
    let in_volts = records.iter().any(|record| record.volts.is_some());
    let mut table = plain_table(&[
        "load",
        "supply",
        "driven",
        if in_volts { "rated V" } else { "rated W" },
        if in_volts { "measured V ±U" } else { "measured W ±U" },
        "ratio",
        "cause",
        "verdict",
        "calibr.",
    ]);
    for record in records {
        let (rated, measured, u) = figures(record);
        let digits = digits_for(u);
        table.add_row([
            format!("{} ohm", record.load_ohm),
            format!("{} V", record.supply_v),
            record.driven.word().to_string(),
            format!("{rated}"),
            format!("{measured:.digits$} ± {u:.digits$}"),
            format!("{:.3}", record.ratio),
            record.cause.to_string(),
            record.verdict.to_string(),
            record.calibration.to_string(),
        ]);
    }
    for index in [0, 1, 3, 4, 5] {
        if let Some(column) = table.column_mut(index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    printed(table)
}

/// What was claimed, what was measured and its expanded uncertainty, in W or V; not a number where it is absent.
pub fn figures(record: &RatingRecord) -> (f64, f64, f64) {
    let of = |value: Option<f64>| value.unwrap_or(f64::NAN);
    match &record.volts {
        Some(volts) => (volts.rated_vrms, volts.measured_vrms, volts.expanded_u_vrms),
        None => (of(record.rated_w), of(record.measured_w), of(record.expanded_u_w)),
    }
}

/// Two significant digits of the uncertainty (JCGM 100, 7.2.6).
fn digits_for(u_w: f64) -> usize {
    if u_w > 0.0 && u_w.is_finite() { (1.0 - u_w.log10().floor()).clamp(0.0, 6.0) as usize } else { 2 }
}

#[cfg(test)]
mod tests {
    use super::digits_for;

    /// JCGM 100:2008, 7.2.6: an uncertainty is stated to at most two significant digits.
    #[test]
    fn uncertainty_has_two_significant_digits() {
        for (u_w, digits) in [(0.0123, 3), (0.45, 2), (1.2, 1), (12.0, 0), (250.0, 0)] {
            assert_eq!(digits_for(u_w), digits, "{u_w}");
        }
    }
}
