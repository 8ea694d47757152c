//! An intake on the terminal: a short table, outcome, reasons, hints and where the page is.

use std::path::Path;

use comfy_table::CellAlignment;
use serde::Serialize;
use wattproof_method::intake::{compact, figure};
use wattproof_method::population::Standing;
use wattproof_report::{CheckTold, IntakeRecord};

use crate::failure::Failure;
use crate::say::{say, say_json};
use crate::table::{plain_table, printed};

/// As JSON.
#[derive(Serialize)]
struct Told<'a> {
    #[serde(flatten)]
    record: &'a IntakeRecord,
    folder: &'a Path,
    page: &'a Path,
}

/// Tells it on standard output.
pub fn tell(record: &IntakeRecord, folder: &Path, page: &Path, json: bool) -> Result<(), Failure> {
    if json {
        return say_json(&Told { record, folder, page });
    }
    say(&text(record, page))
}

fn text(record: &IntakeRecord, page: &Path) -> String {
    let serial = record.serial.as_deref().unwrap_or("no serial number");
    let invented = if record.invented { " (invented)" } else { "" };
    let mut lines = vec![format!("{} {}, {serial}{invented}", record.maker, record.model), String::new()];
    if !record.checks.is_empty() {
        lines.extend([table(record), String::new()]);
    }
    lines.push(format!("{}:", record.intake.outcome.to_string().to_uppercase()));
    lines.extend(record.intake.reasons.iter().map(|reason| format!("  - {reason}")));
    if !record.intake.hints.is_empty() {
        lines.push("hints, which decide nothing:".into());
        lines.extend(record.intake.hints.iter().map(|hint| format!("  - {}", hint.words)));
    }
    lines.extend(record.cautions.iter().map(|caution| format!("caution: {caution}")));
    if let Some(before) = &record.before {
        lines.push(format!("retest: compared with {} of {}", before.run, before.started_utc));
    }
    lines.push(format!("former tests of this serial number: {}", record.history.len()));
    lines.push(format!("the page to print: {}", page.display()));
    lines.join("\n")
}

fn table(record: &IntakeRecord) -> String {
    let retest = record.checks.iter().any(|check| check.before.is_some());
    let ranked = record.checks.iter().any(|check| check.place.is_some());
    let mut header = vec!["check", "found ±U", "verdict"];
    if retest {
        header.push("before");
    }
    if ranked {
        header.push("rank");
    }
    let mut table = plain_table(&header);
    for check in &record.checks {
        let title =
            check.channel.map_or(check.name.clone(), |channel| format!("{}, channel {channel}", check.name));
        let found = compact(check.value, check.expanded_u, &check.unit);
        let mut cells = vec![title, found, check.verdict.clone().unwrap_or_default()];
        if retest {
            cells.push(before(check));
        }
        if ranked {
            cells.push(rank(check));
        }
        table.add_row(cells);
    }
    if let Some(column) = table.column_mut(1) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    printed(table)
}

fn before(check: &CheckTold) -> String {
    let Some(then) = &check.before else { return String::new() };
    let changed = then.difference.is_some_and(|one| one.is_significant == Some(true));
    let both = figure(then.value, then.expanded_u, &check.unit);
    let value = both.split(" ± ").next().unwrap_or(&both);
    if changed { format!("{value}, changed") } else { value.into() }
}

fn rank(check: &CheckTold) -> String {
    let Some(place) = &check.place else { return String::new() };
    let apart = if place.standing == Standing::Outlier { ", apart" } else { "" };
    format!("{} of {}{apart}", place.rank, place.of)
}
