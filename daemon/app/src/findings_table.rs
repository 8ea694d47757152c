//! The table of findings that ends a run.

use comfy_table::CellAlignment;
use wattproof_runs::Finding;

use crate::table::{plain_table, printed};

/// What was found, a line a finding; fits 80 columns.
pub fn findings_table(findings: &[Finding]) -> String {
    let judged = findings.iter().any(|finding| finding.verdict.is_some());
    let mut header = vec!["found", "value ±U", "at"];
    if judged {
        header.extend(["right is", "verdict"]);
    }
    let mut table = plain_table(&header);
    for finding in findings {
        let mut cells = vec![finding.title(), finding.figure(), finding.at.clone()];
        if judged {
            cells.push(finding.range());
            cells.push(finding.verdict.map(|verdict| verdict.to_string()).unwrap_or_default());
        }
        table.add_row(cells);
    }
    if let Some(column) = table.column_mut(1) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    printed(table)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 80 columns: the width of a terminal since the VT100 (from memory).
    #[test]
    fn findings_fit_a_terminal_with_their_units() {
        let finding = Finding {
            finding: 1,
            at_s: 1.0,
            name: "output resistance".into(),
            channel: Some(2),
            value: 0.0412,
            unit: "ohm".into(),
            expanded_u: Some(0.0009),
            at: "1000 Hz, 14.4 V supply, between 8 and 4 ohm, both channels driven".into(),
            low: None,
            high: Some(0.1),
            verdict: Some(wattproof_method::Verdict::Meets),
            note: String::new(),
        };
        let text = findings_table(&[finding.clone(), Finding { verdict: None, high: None, ..finding }]);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains("± 0.00090") && words.contains("ohm") && words.contains("meets"), "{text}");
    }
}
