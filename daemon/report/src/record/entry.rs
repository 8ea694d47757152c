//! A run as the catalogue holds it.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

use serde::Deserialize;
use sha2::{Digest, Sha256};
use wattproof_bench::CalibrationState;
use wattproof_catalogue::{CleanPower, Entry, FileEntry, FindingEntry, InstrumentEntry, RatingEntry};
use wattproof_method::Verdict;
use wattproof_runs::{Finding, JOURNAL_FILE, LimitBy, ParameterValue, Rating, RatingRecord};

use super::brief::file_name;
use super::clean::{CLEAN_LIMITS_PCT, clean_output_at};
use super::curve::{CurvePoint, LeftOut, Point, curve, left_out};
use super::folder::Recorded;
use super::run_file::{Checked, RunFile, run_file};
use super::steps::step_count;
use crate::ReportError;

/// Longest first line of a journal: scripts, bench file and nameplate are bounded.
const FIRST_LINE_BYTES_MAX: u64 = 64 << 20;
/// The parameter of a script that says who was at the bench.
const OPERATOR: &str = "operator";
/// The files that tell a run; captures and journal are known by the journal's chain.
const HASHED: [&str; 7] =
    ["run.json", "ratings.json", "steps.csv", "ratings.csv", "curve.csv", "bursts.csv", "findings.csv"];

/// A run as the catalogue holds it, as far as it is recorded.
///
/// Costs the reading of every file of the folder but journal and captures, of which only the beginning and the end are.
///
/// # Errors
/// [`ReportError`], when it is no run's folder or a file of it can't be understood.
pub fn entry(folder: &Path) -> Result<Entry, ReportError> {
    let run = Recorded::open(folder)?;
    let file = run_file(&run)?;
    let records = run.ratings()?;
    let findings = run.findings()?;
    let end = run.end()?;
    let steps = if file.outcome.is_some() { file.steps } else { step_count(&run)? };
    let gaps: Vec<Option<f64>> = file.resumed.iter().map(|one| one.gap_s).collect();
    let plate = &file.nameplate;
    Ok(Entry {
        key: key(&run)?,
        lines: end.as_ref().map_or(0, |end| end.seq + 1),
        chain: end.map(|end| end.chain).unwrap_or_default(),
        run: run.name().into(),
        folder: run.folder().path().display().to_string(),
        bench: file.bench.name.clone(),
        maker: plate.maker.clone(),
        model: plate.model.clone(),
        serial: plate.serial.clone(),
        invented: plate.invented,
        golden: plate.golden,
        price: plate.price,
        currency: plate.currency.clone(),
        script: file_name(&file.script),
        script_sha256: file.script_sha256.clone(),
        operator: operator(&file),
        started_utc: file.started_utc.clone(),
        ended_utc: file.ended_utc.clone(),
        outcome: file.outcome.and_then(|outcome| word(&outcome)),
        error: file.error.clone(),
        verdict: verdict(&records, &findings),
        steps,
        gaps: gaps.len() as u64,
        gap_s: gaps.into_iter().sum(),
        calibration: file.calibrations.iter().map(|input| input.calibration).max().map(calibration),
        selfcheck: file.selfcheck.as_ref().map(selfcheck),
        wattproof_version: file.wattproof_version.clone(),
        ratings: ratings(&run, &file, &records)?,
        findings: findings.iter().map(finding).collect(),
        instruments: file.instruments.iter().map(instrument).collect(),
        files: files(&run)?,
    })
}

/// The hash of the journal's first line, which no other run has: bench, amplifier, instruments and time are in it.
fn key(run: &Recorded) -> Result<String, ReportError> {
    let path = run.file(JOURNAL_FILE);
    let read = |source| ReportError::Read { path: path.clone(), source };
    let file = run.folder().disk().reader(&path).map_err(read)?;
    let mut line = Vec::new();
    BufReader::new(file.take(FIRST_LINE_BYTES_MAX)).read_until(b'\n', &mut line).map_err(read)?;
    let end = super::folder::end_of(&line).filter(|end| end.seq == 0);
    end.map(|end| end.chain).ok_or_else(|| ReportError::NotTold {
        path,
        what: "its first line is no whole line of a journal".into(),
    })
}

fn operator(file: &RunFile) -> Option<String> {
    let told = file.parameters.iter().find(|one| one.name == OPERATOR)?;
    match &told.value {
        ParameterValue::Word(name) if !name.trim().is_empty() => Some(name.trim().to_string()),
        _ => None,
    }
}

/// A plain enumeration's word in JSON.
fn word(value: &impl serde::Serialize) -> Option<String> {
    serde_json::to_value(value).ok()?.as_str().map(str::to_string)
}

/// The worst of all verdicts.
fn verdict(records: &[RatingRecord], findings: &[Finding]) -> Option<String> {
    let all = records.iter().map(|one| one.verdict).chain(findings.iter().filter_map(|one| one.verdict));
    let all: Vec<Verdict> = all.collect();
    let worst =
        [Verdict::Short, Verdict::Undecided, Verdict::Meets].into_iter().find(|one| all.contains(one));
    worst.map(|worst| worst.to_string())
}

fn calibration(state: CalibrationState) -> String {
    match state {
        CalibrationState::Valid => "valid",
        CalibrationState::Expired => "expired",
        CalibrationState::Missing => "missing",
    }
    .into()
}

fn selfcheck(checked: &Checked) -> String {
    match checked {
        Checked::LeftOut => "left_out",
        Checked::Unfinished => "unfinished",
        Checked::Made(_) => "made",
    }
    .into()
}

/// What of the curve's point at the ceiling counts here.
#[derive(Debug, Clone, Copy, Deserialize)]
struct AtCeiling {
    rating: usize,
    point: Point,
    efficiency_pct: Option<f64>,
    heatsink_c: Option<f64>,
}

fn ratings(
    run: &Recorded,
    file: &RunFile,
    records: &[RatingRecord],
) -> Result<Vec<RatingEntry>, ReportError> {
    let mut ceilings: BTreeMap<usize, AtCeiling> = BTreeMap::new();
    for row in run.rows::<AtCeiling>("curve.csv")? {
        if row.point == Point::Ceiling {
            ceilings.insert(row.rating, row);
        }
    }
    let mut all: BTreeMap<usize, RatingEntry> = BTreeMap::new();
    for LeftOut { rating, why } in left_out(run)? {
        if let Some(claim) = rating.checked_sub(1).and_then(|index| file.nameplate.rating.get(index)) {
            all.insert(rating, RatingEntry { not_measured: Some(why), ..claimed(rating, claim) });
        }
    }
    let points = curve(run)?;
    for record in records {
        let at = ceilings.get(&record.rating);
        all.insert(record.rating, measured(record, at, clean(&points, record)));
    }
    Ok(all.into_values().collect())
}

/// A claim that was not measured.
fn claimed(rating: usize, claim: &Rating) -> RatingEntry {
    let (rated, unit) = match claim.watts {
        Some(watts) => (Some(watts), "W"),
        None => (claim.out_vrms, "V"),
    };
    RatingEntry {
        rating: rating as u64,
        rated,
        unit: unit.into(),
        load_ohm: claim.load_ohm,
        supply_v: claim.supply_v,
        hz: claim.hz,
        driven: claim.driven.word().into(),
        limit_by: limit_by(claim.limit_by).into(),
        limit_pct: claim.limit_pct,
        ..RatingEntry::default()
    }
}

fn limit_by(limit_by: LimitBy) -> &'static str {
    match limit_by {
        LimitBy::Thdn => "thdn",
        LimitBy::Thd => "thd",
    }
}

fn measured(record: &RatingRecord, at: Option<&AtCeiling>, clean: Vec<CleanPower>) -> RatingEntry {
    let (rated, measured, expanded_u, unit) = super::brief::figures(record);
    RatingEntry {
        rating: record.rating as u64,
        rated,
        measured,
        expanded_u,
        unit: unit.into(),
        ratio_db: record.ratio_db,
        load_ohm: record.load_ohm,
        supply_v: record.supply_v,
        hz: record.hz,
        driven: record.driven.word().into(),
        limit_by: limit_by(record.limit_by).into(),
        limit_pct: record.limit_pct,
        verdict: Some(record.verdict.to_string()),
        cause: Some(record.cause.clone()),
        out_vrms: Some(record.out_vrms),
        efficiency_pct: at.and_then(|at| at.efficiency_pct),
        heatsink_c: at.and_then(|at| at.heatsink_c),
        not_measured: None,
        clean,
    }
}

fn finding(one: &Finding) -> FindingEntry {
    FindingEntry {
        finding: one.finding as u64,
        name: one.name.clone(),
        channel: one.channel.map(u64::from),
        value: one.value,
        unit: one.unit.clone(),
        expanded_u: one.expanded_u,
        at: one.at.clone(),
        low: one.low,
        high: one.high,
        verdict: one.verdict.map(|verdict| verdict.to_string()),
        note: one.note.clone(),
    }
}

fn instrument(one: &super::run_file::Instrument) -> InstrumentEntry {
    InstrumentEntry { role: one.role.clone(), idn: one.idn.clone(), dialect: one.dialect.clone() }
}

fn files(run: &Recorded) -> Result<Vec<FileEntry>, ReportError> {
    let mut found = Vec::new();
    let journal = run.file(JOURNAL_FILE);
    let about = journal.symlink_metadata().map_err(|source| ReportError::Read { path: journal, source })?;
    found.push(FileEntry { name: JOURNAL_FILE.into(), bytes: about.len(), sha256: None });
    for name in HASHED {
        if let Some(bytes) = run.bytes(name, super::folder::TABLE_BYTES_MAX)? {
            let hash = Sha256::digest(&bytes);
            let hex = hash.iter().map(|byte| format!("{byte:02x}")).collect();
            found.push(FileEntry { name: name.into(), bytes: bytes.len() as u64, sha256: Some(hex) });
        }
    }
    found.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(found)
}

/// What was delivered within the usual distortion limits, as far as the curve tells.
fn clean(curve: &[CurvePoint], record: &RatingRecord) -> Vec<CleanPower> {
    let told = CLEAN_LIMITS_PCT.iter().filter_map(|limit_pct| {
        let at = clean_output_at(curve, record, *limit_pct).ok()?;
        Some(CleanPower { limit_pct: *limit_pct, delivered: at.value })
    });
    told.collect()
}
