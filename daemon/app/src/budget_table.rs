//! The uncertainty budget of a rating as a table of at most 80 columns.

use comfy_table::CellAlignment;
use wattproof_method::{Contribution, Kind, Shape};
use wattproof_runs::VoltsPart;

use crate::table::{plain_table, printed};

/// One contribution, to a power or to a voltage.
pub struct Part {
    /// What it is.
    pub name: String,
    /// Where its figure comes from.
    pub source: String,
    kind: Kind,
    distribution: Shape,
    stated: f64,
    stated_in: String,
    sensitivity: f64,
    /// Standard uncertainty by it, in the unit of the rating.
    pub u: f64,
    share_pct: f64,
}

impl From<&Contribution> for Part {
    fn from(part: &Contribution) -> Self {
        Self {
            name: part.name.clone(),
            source: part.source.clone(),
            kind: part.kind,
            distribution: part.distribution,
            stated: part.stated,
            stated_in: part.unit.clone(),
            sensitivity: part.sensitivity,
            u: part.u_w,
            share_pct: part.share_pct,
        }
    }
}

impl From<&VoltsPart> for Part {
    fn from(part: &VoltsPart) -> Self {
        Self {
            name: part.name.clone(),
            source: part.source.clone(),
            kind: part.kind,
            distribution: part.distribution,
            stated: part.stated,
            stated_in: part.unit.clone(),
            sensitivity: part.sensitivity,
            u: part.u_vrms,
            share_pct: part.share_pct,
        }
    }
}

/// A line a contribution, the largest first; what has no effect is left out. Figures in `unit`.
pub fn budget_table(budget: &[Part], standard_u: f64, unit: &str) -> String {
    let (slope, share) = (format!("{unit} per unit"), format!("contribution {unit}"));
    let mut table = plain_table(&["source", "type", "value", &slope, &share, "share %"]);
    let mut parts: Vec<&Part> = budget.iter().filter(|part| part.u > 0.0).collect();
    parts.sort_by(|a, b| b.u.total_cmp(&a.u));
    for part in parts {
        table.add_row([
            part.name.clone(),
            kind(part),
            value(part),
            significant(part.sensitivity, 3),
            significant(part.u, 3),
            format!("{:.2}", part.share_pct),
        ]);
    }
    table.add_row([
        "combined".to_string(),
        String::new(),
        String::new(),
        String::new(),
        significant(standard_u, 3),
        "100.00".to_string(),
    ]);
    for index in [3, 4, 5] {
        if let Some(column) = table.column_mut(index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    printed(table)
}

fn kind(part: &Part) -> String {
    match part.kind {
        Kind::A => "A".to_string(),
        Kind::B => "B".to_string(),
    }
}

/// "± 0.1 % rect" for a half-width, "u 0.02 W" for a standard uncertainty.
fn value(part: &Part) -> String {
    let unit = if part.stated_in == "1" { String::new() } else { format!(" {}", part.stated_in) };
    let stated = format!("{}{unit}", significant(part.stated, 3));
    match part.distribution {
        Shape::Normal => format!("u = {stated}"),
        Shape::NormalK2 => format!("U = {stated}"),
        Shape::Rectangular => format!("± {stated} rect"),
        Shape::Triangular => format!("± {stated} tri"),
        Shape::Arcsine => format!("± {stated} arcsine"),
        Shape::Resolution => format!("step {stated}"),
    }
}

/// A figure with so many significant digits, without an exponent unless it is tiny.
pub fn significant(value: f64, digits: i32) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let order = value.abs().log10().floor();
    if order < -4.0 {
        return format!("{value:.*e}", usize::try_from(digits - 1).unwrap_or(0));
    }
    let decimals = (f64::from(digits) - 1.0 - order).clamp(0.0, 12.0) as usize;
    format!("{value:.decimals$}")
}

/// A probability in words: never 0 or 100 %, which nobody can know.
pub fn percent(probability: f64) -> String {
    match 100.0 * probability {
        pct if pct > 99.99 => "more than 99.99 %".to_string(),
        pct if pct < 0.01 => "less than 0.01 %".to_string(),
        pct => format!("{pct:.2} %"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_have_their_significant_digits() {
        for (value, text) in
            [(0.123_45, "0.123"), (12.345, "12.3"), (1234.5, "1234"), (-0.05, "-0.0500"), (1.2e-9, "1.20e-9")]
        {
            assert_eq!(significant(value, 3), text);
        }
        assert_eq!(significant(0.0, 3), "0");
    }

    #[test]
    fn nobody_is_certain() {
        assert_eq!(percent(1.0), "more than 99.99 %");
        assert_eq!(percent(0.0), "less than 0.01 %");
        assert_eq!(percent(0.934), "93.40 %");
    }
}
