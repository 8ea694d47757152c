//! Runs that were found in the catalogue, as CSV.

use serde::Serialize;
use wattproof_catalogue::Brief;
use wattproof_runs::Words;

use crate::error::ReportError;

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

/// Found runs as CSV: RFC 4180, full precision, a header of names that carry their unit, words defused against formulas.
///
/// # Errors
/// [`ReportError::Csv`].
pub fn found_csv(found: &[Brief]) -> Result<String, ReportError> {
    let nothing = Brief::default();
    if found.is_empty() {
        // The header alone: who reads it finds its columns.
        let text = rows(std::iter::once(&nothing))?;
        return Ok(text.split_inclusive('\n').take(1).collect());
    }
    rows(found.iter())
}

fn rows<'a>(found: impl Iterator<Item = &'a Brief>) -> Result<String, ReportError> {
    let fail = ReportError::Csv;
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
