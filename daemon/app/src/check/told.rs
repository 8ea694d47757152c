//! A rehearsal in words.

use wattproof_rehearsal::{ASSUMED, Rehearsal};
use wattproof_report::{duration, significant};
use wattproof_runs::{RunError, ScriptFault};

use crate::table::{plain_table, printed};

/// Digits of a forecast: it is no measurement.
const DIGITS: usize = 3;

/// What the real run will come to.
pub fn forecast(rehearsal: &Rehearsal) -> String {
    let found = &rehearsal.forecast;
    let number = |value: f64| significant(value, DIGITS);
    let mut table = plain_table(&[]);
    let mut row = |what: &str, value: String| {
        table.add_row([format!("  {what}"), value]);
    };
    let steps = if found.steps == 1 { "step" } else { "steps" };
    row("takes", format!("{}, {} {steps}", duration(found.duration_s), found.steps));
    row(
        "loudest output",
        format!(
            "{} W, {} V rms, {} after the start",
            number(found.loudest_w),
            number(found.loudest_vrms),
            duration(found.loudest_at_s)
        ),
    );
    row("source", format!("up to {} V rms", number(found.source_vrms_max)));
    row("delivered", format!("{} J to all loads", number(found.delivered_j)));
    row("supply", format!("up to {} A", number(found.supply_a_max)));
    row("heatsink", format!("up to {} °C", number(found.heatsink_c_max)));
    for one in &rehearsal.left_out {
        row("left out", format!("rating {}: {}", one.rating, one.why));
    }
    if !rehearsal.missed.is_empty() {
        let lines = rehearsal.missed.iter().map(|(first, last)| match first == last {
            true => format!("{first}"),
            false => format!("{first} to {last}"),
        });
        let lines = lines.collect::<Vec<_>>().join(", ");
        row("not tried", format!("lines of the script to which the rehearsal never came: {lines}"));
    }
    row("assumed", ASSUMED.into());
    printed(table)
}

/// Why a run would not come to its end, with the place in the script; none if it would.
pub fn failed(rehearsal: &Rehearsal) -> Option<String> {
    let error = rehearsal.error.as_ref()?;
    if let RunError::Script(_) = error {
        // It names file, line and column itself.
        return Some(error.to_string());
    }
    let meant = rehearsal.meant.as_ref().map(|meant| format!("; {meant}")).unwrap_or_default();
    let message = format!("in the rehearsal: {error}{meant}");
    Some(match &rehearsal.stood {
        Some(stood) => ScriptFault { message, ..(**stood).clone() }.to_string(),
        None => message,
    })
}
