//! The table of ratings that ends a run.

use comfy_table::{CellAlignment, Table, presets};
use wattproof_runs::RatingResult;

/// Rated against measured, a line a rating; fits 80 columns.
pub fn ratings_table(results: &[RatingResult]) -> String {
    // All of a nameplate are in the same.
    let in_volts = results.iter().any(|result| result.volts.is_some());
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    table.set_header([
        "load",
        "supply",
        "driven",
        if in_volts { "rated V" } else { "rated W" },
        if in_volts { "measured V ± U" } else { "measured W ± U" },
        "ratio",
        "cause",
        "verdict",
        "calibr.",
    ]);
    for result in results {
        let claim = &result.claim;
        let (rated, measured, u) = result.figures();
        let digits = digits_for(u);
        table.add_row([
            format!("{} ohm", claim.load_ohm),
            format!("{} V", claim.supply_v),
            claim.driven.word().to_string(),
            format!("{rated}"),
            format!("{measured:.digits$} ± {u:.digits$}"),
            format!("{:.3}", result.ratio),
            result.ceiling.cause.to_string(),
            result.verdict.to_string(),
            result.calibration.to_string(),
        ]);
    }
    for index in [0, 1, 3, 4, 5] {
        if let Some(column) = table.column_mut(index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table.to_string()
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
