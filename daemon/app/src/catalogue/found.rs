//! Found runs as a table and as CSV.

use std::path::Path;

use serde::Serialize;
use wattproof_catalogue::Brief;
use wattproof_runs::Words;

use crate::failure::Failure;
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

/// A row of the table as CSV. Absent values are empty.
#[derive(Serialize)]
struct Row<'a> {
    run: Words,
    bench: Words,
    maker: Words,
    model: Words,
    serial: Option<Words>,
    invented: bool,
    golden: bool,
    script: Words,
    started_utc: &'a str,
    ended_utc: Option<&'a str>,
    outcome: Option<&'a str>,
    verdict: Option<&'a str>,
    steps: u64,
    gaps: u64,
    ratings: u64,
    ratings_short: u64,
    ratings_undecided: u64,
    findings: u64,
    findings_short: u64,
    findings_undecided: u64,
    ratio_db_min: Option<f64>,
    price: Option<f64>,
    currency: Option<Words>,
    key: &'a str,
    folder: Words,
}

/// RFC 4180, full precision.
pub fn csv(found: &[Brief], path: &Path) -> Result<String, Failure> {
    let fail = |what: String| {
        Failure::Said(format!("{}: the table could not be put into CSV: {what}", path.display()))
    };
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    for one in found {
        writer.serialize(row(one)).map_err(|error| fail(error.to_string()))?;
    }
    let bytes = writer.into_inner().map_err(|error| fail(error.to_string()))?;
    String::from_utf8(bytes).map_err(|error| fail(error.to_string()))
}

fn row(one: &Brief) -> Row<'_> {
    Row {
        run: one.run.as_str().into(),
        bench: one.bench.as_str().into(),
        maker: one.maker.as_str().into(),
        model: one.model.as_str().into(),
        serial: one.serial.as_deref().map(Words::from),
        invented: one.invented,
        golden: one.golden,
        script: one.script.as_str().into(),
        started_utc: &one.started_utc,
        ended_utc: one.ended_utc.as_deref(),
        outcome: one.outcome.as_deref(),
        verdict: one.verdict.as_deref(),
        steps: one.steps,
        gaps: one.gaps,
        ratings: one.ratings,
        ratings_short: one.ratings_short,
        ratings_undecided: one.ratings_undecided,
        findings: one.findings,
        findings_short: one.findings_short,
        findings_undecided: one.findings_undecided,
        ratio_db_min: one.ratio_db_min,
        price: one.price,
        currency: one.currency.as_deref().map(Words::from),
        key: &one.key,
        folder: one.folder.as_str().into(),
    }
}
