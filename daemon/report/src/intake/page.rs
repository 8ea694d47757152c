//! The page: what the template shows, in words.

use askama::Template;
use wattproof_method::intake::{Outcome, compact, figure};
use wattproof_method::population::{Difference, Standing};

use super::{CheckTold, Former, IntakeRecord};
use crate::number::duration;
use crate::page::{Fact, PAGE_STYLE};
use crate::{CAUTIONS, ReportError};

/// Former tests that the page shows: more would not fit beside the rest.
const FORMERS_SHOWN: usize = 4;

#[derive(Template)]
#[template(path = "intake.html")]
struct Page<'a> {
    style: &'static str,
    record: &'a IntakeRecord,
    amplifier: String,
    serial: &'a str,
    outcome_class: &'static str,
    outcome: String,
    facts: Vec<Fact>,
    columns: Columns,
    rows: Vec<Row>,
    conditions: Vec<Fact>,
    formers: Vec<String>,
    more: usize,
    cautions: String,
}

/// Which columns have anything in them.
struct Columns {
    before: bool,
    place: bool,
    golden: bool,
}

struct Row {
    what: String,
    mark: char,
    found: String,
    range: String,
    verdict_class: &'static str,
    verdict: &'static str,
    before: String,
    change: String,
    place: String,
    golden: String,
}

/// The page of an intake: one sheet of A4 or Letter for an amplifier of up to two channels.
///
/// # Errors
/// [`ReportError::Page`].
pub fn intake_page(record: &IntakeRecord) -> Result<String, ReportError> {
    let conditions = conditions(record);
    let page = Page {
        style: PAGE_STYLE,
        amplifier: format!("{} {}", record.maker, record.model).trim().to_string(),
        serial: record.serial.as_deref().unwrap_or("not given"),
        outcome_class: outcome_class(record.intake.outcome),
        outcome: record.intake.outcome.to_string(),
        facts: facts(record),
        columns: Columns {
            before: record.checks.iter().any(|check| check.before.is_some()),
            place: record.checks.iter().any(|check| check.place.is_some()),
            golden: record.checks.iter().any(|check| check.golden.is_some()),
        },
        rows: record.checks.iter().map(|check| row(check, &conditions)).collect(),
        conditions: conditions.iter().map(|(mark, at)| Fact::new(*mark, *at)).collect(),
        formers: record.history.iter().take(FORMERS_SHOWN).map(former).collect(),
        more: record.history.len().saturating_sub(FORMERS_SHOWN),
        cautions: CAUTIONS.trim_start_matches("Cautions. ").to_string(),
        record,
    };
    page.render().map_err(|source| ReportError::Page { run: record.run.clone(), source })
}

fn outcome_class(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::NoFaultFound => "meets",
        Outcome::Faulty => "short",
        Outcome::Undecided | Outcome::NotTested => "undecided",
    }
}

fn facts(record: &IntakeRecord) -> Vec<Fact> {
    let or_dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "not given".into());
    let time = record.bench_time_s.map_or(String::new(), |s| format!(", {} on the bench", duration(s)));
    let mut facts = vec![
        Fact::new("Tested", format!("{}{time}", day_and_time(&record.started_utc))),
        Fact::new("Operator", or_dash(&record.operator)),
        Fact::new("Complaint", or_dash(&record.complaint)),
        Fact::new("Bench", format!("{}; script {}", record.bench, record.script)),
        Fact::new("Calibration", record.calibration.clone()),
        Fact::new("Self-check", record.selfcheck.clone()),
    ];
    if record.golden {
        facts.push(Fact::new("Golden", "this unit is marked as one that is known to be good"));
    }
    if let Some(before) = &record.before {
        facts.push(Fact::new("Retest", format!("after its intake of {}", day_and_time(&before.started_utc))));
    }
    if let Some(unit) = &record.golden_unit {
        facts.push(Fact::new("Golden unit", unit.clone()));
    }
    facts
}

/// `YYYY-MM-DD HH:MM UTC` of RFC 3339.
fn day_and_time(utc: &str) -> String {
    let text: String = utc.chars().take(16).collect();
    format!("{} UTC", text.replace('T', " "))
}

fn former(run: &Former) -> String {
    let verdict = run.verdict.as_deref().or(run.outcome.as_deref()).unwrap_or("no end on record");
    format!("{}, {}: {verdict}", day_and_time(&run.started_utc), run.script)
}

/// Each condition once, with the letter that stands for it in the table.
fn conditions(record: &IntakeRecord) -> Vec<(char, &str)> {
    let mut each: Vec<&str> = Vec::new();
    for check in &record.checks {
        if !each.contains(&check.at.as_str()) {
            each.push(&check.at);
        }
    }
    ('a'..='z').zip(each).collect()
}

fn row(check: &CheckTold, conditions: &[(char, &str)]) -> Row {
    let (verdict_class, verdict) = match check.verdict.as_deref() {
        Some("meets") => ("meets", "✓ meets"),
        Some("short") => ("short", "✗ out"),
        Some(_) => ("undecided", "? undecided"),
        None => ("", ""),
    };
    let before = check.before.as_ref();
    Row {
        what: check
            .channel
            .map_or(check.name.clone(), |channel| format!("{}, channel {channel}", check.name)),
        mark: conditions.iter().find(|(_, at)| *at == check.at).map_or(' ', |(mark, _)| *mark),
        found: compact(check.value, check.expanded_u, &check.unit),
        range: range(check),
        verdict_class,
        verdict,
        before: before.map_or(String::new(), |then| bare(then.value, then.expanded_u, &check.unit)),
        change: apart(before.and_then(|then| then.difference), &check.unit),
        place: place(check),
        golden: apart(check.golden, &check.unit),
    }
}

/// A value to the places that its uncertainty leaves, without that.
fn bare(value: f64, expanded_u: Option<f64>, unit: &str) -> String {
    let text = figure(value, expanded_u, unit);
    text.split(" ± ").next().unwrap_or(&text).to_string()
}

fn range(check: &CheckTold) -> String {
    let limit = |limit: f64| compact(limit, None, &check.unit);
    match (check.low, check.high) {
        (Some(low), Some(high)) => {
            let (low, high) = (limit(low), limit(high));
            match (low.split_once(' '), high.split_once(' ')) {
                (Some((number, unit)), Some((_, same))) if unit == same => format!("{number} to {high}"),
                _ => format!("{low} to {high}"),
            }
        }
        (Some(low), None) => format!("≥ {}", limit(low)),
        (None, Some(high)) => format!("≤ {}", limit(high)),
        (None, None) => String::new(),
    }
}

fn apart(difference: Option<Difference>, unit: &str) -> String {
    let Some(one) = difference else { return String::new() };
    let sign = if one.difference > 0.0 { "+" } else { "" };
    let differs = if one.is_significant == Some(true) { " ≠" } else { "" };
    format!("{sign}{}{differs}", compact(one.difference, one.expanded_u, unit))
}

fn place(check: &CheckTold) -> String {
    let Some(place) = &check.place else { return String::new() };
    let rank = format!("{} of {}", place.rank, place.of);
    match place.standing {
        Standing::Usual => rank,
        Standing::Outlier => format!("{rank}, apart"),
        Standing::TooFew => format!("{rank}, few"),
        Standing::NoSpread => format!("{rank}, alike"),
    }
}
