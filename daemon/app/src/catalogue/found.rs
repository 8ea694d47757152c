//! Found runs as a table.

use wattproof_catalogue::Brief;

use crate::table::{plain_table, printed};

/// For a terminal.
pub fn table(found: &[Brief]) -> String {
    let mut table = plain_table(&["run", "unit", "script", "verdict", "worst rating"]);
    for one in found {
        let serial = one.serial.as_ref().map_or(String::new(), |serial| format!(", {serial}"));
        let invented = if one.invented { " (invented)" } else { "" };
        let verdict = match (&one.verdict, &one.outcome) {
            (Some(verdict), _) => verdict.clone(),
            (None, Some(outcome)) => format!("none, {outcome}"),
            (None, None) => "none, not ended".into(),
        };
        table.add_row([
            one.run.clone(),
            format!("{} {}{serial}{invented}", one.maker, one.model),
            one.script.clone(),
            verdict,
            one.ratio_db_min.map_or(String::new(), |db| format!("{db:+.2} dB")),
        ]);
    }
    printed(table)
}
