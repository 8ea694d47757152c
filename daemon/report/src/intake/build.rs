//! From a run's folder and the catalogue to an intake that is told.

use std::path::Path;

use wattproof_bench::CalibrationState;
use wattproof_catalogue::{Entry, FindingEntry};
use wattproof_method::Verdict;
use wattproof_method::intake::{Checked, Ending, judge, speaks};
use wattproof_runs::{Outcome, ParameterValue};

use super::beside::{beside, golden_key, hints};
use super::known::Known;
use super::{BENCH_TIME, CheckTold, Former, IntakeRecord};
use crate::ReportError;
use crate::record::{Recorded, Story, entry, is_simulated, story};

/// An intake, from the folder of its run and what the catalogue knows.
///
/// Costs the reading and checking of the whole journal, and of every table.
///
/// # Errors
/// [`ReportError`], when it is no run's folder, or a file of it can't be understood.
pub fn intake(folder: &Path, known: &Known) -> Result<IntakeRecord, ReportError> {
    let entry = entry(folder)?;
    let story = story(&Recorded::open(folder)?)?;
    let known = known.until(&entry.key, entry.serial.as_deref(), &entry.started_utc);
    let ending = ending(&story);
    let (time, checks): (Vec<&FindingEntry>, Vec<&FindingEntry>) =
        entry.findings.iter().partition(|one| one.name == BENCH_TIME);
    let told: Vec<CheckTold> = checks.iter().map(|check| beside(check, &known)).collect();
    let golden_unit =
        golden_key(&known).map(|one| one.serial.clone().unwrap_or_else(|| format!("of {}", one.started_utc)));
    let judged: Vec<Checked> = checks.iter().map(|check| checked(check)).collect();
    let intake =
        judge(&judged, &speaks(&ending, story.selfcheck.as_ref()), hints(&told, golden_unit.as_deref()));
    let plate = &story.opened.nameplate;
    Ok(IntakeRecord {
        intake,
        run: entry.run.clone(),
        maker: entry.maker.clone(),
        model: entry.model.clone(),
        serial: entry.serial.clone(),
        invented: plate.invented,
        simulated: story.opened.instruments.iter().any(|one| is_simulated(&one.idn)),
        golden: plate.golden,
        bench: entry.bench.clone(),
        script: entry.script.clone(),
        started_utc: entry.started_utc.clone(),
        operator: parameter(&story, "operator"),
        complaint: parameter(&story, "complaint"),
        calibration: calibration(&story),
        selfcheck: selfcheck(&story),
        bench_time_s: time.first().map(|one| one.value),
        checks: told,
        history: known.formers(),
        before: known.before.as_ref().map(Former::from),
        golden_unit,
        cautions: cautions(&story, &entry, &ending),
        ending,
    })
}

fn checked(check: &FindingEntry) -> Checked {
    let verdicts = [Verdict::Meets, Verdict::Short, Verdict::Undecided];
    let word = check.verdict.as_deref();
    Checked {
        name: check.name.clone(),
        channel: check.channel,
        value: check.value,
        expanded_u: check.expanded_u,
        unit: check.unit.clone(),
        low: check.low,
        high: check.high,
        verdict: verdicts.into_iter().find(|verdict| Some(verdict.to_string().as_str()) == word),
    }
}

/// As the journal's closing line tells it. Records of before have the outcome and the words alone: those condemn nobody.
fn ending(story: &Story) -> Ending {
    let Some(closed) = &story.closed else { return Ending::Open };
    let words = || closed.error.clone().unwrap_or_else(|| "no reason is on record".into());
    closed.ending.clone().unwrap_or_else(|| match closed.outcome {
        Outcome::Finished => Ending::Finished,
        Outcome::Stopped => Ending::Stopped,
        Outcome::Failed => Ending::Bench { what: words() },
    })
}

fn parameter(story: &Story, name: &str) -> Option<String> {
    let told = story.opened.parameters.iter().find(|one| one.name == name)?;
    match &told.value {
        ParameterValue::Word(text) if !text.trim().is_empty() => Some(text.trim().to_string()),
        _ => None,
    }
}

fn calibration(story: &Story) -> String {
    let opened = &story.opened;
    let inputs = &opened.bench.digitizer.channel;
    let count = |wanted: CalibrationState| {
        inputs.iter().filter(|input| input.calibration_state(&opened.begun_day) == wanted).count()
    };
    let all = inputs.len();
    let due = inputs.iter().filter_map(|input| Some(&input.calibration.as_ref()?.due)).min();
    match (count(CalibrationState::Missing), count(CalibrationState::Expired)) {
        (0, 0) => format!(
            "valid for all {all} inputs{}",
            due.map_or(String::new(), |due| format!(", first due {due}"))
        ),
        (0, expired) => format!("EXPIRED for {expired} of {all} inputs"),
        (missing, 0) => format!("none for {missing} of {all} inputs: tolerances stand for it in U"),
        (missing, expired) => format!("none for {missing} and EXPIRED for {expired} of {all} inputs"),
    }
}

fn selfcheck(story: &Story) -> String {
    match &story.selfcheck {
        _ if !story.opened.selfcheck => "left out".into(),
        Some(made) => made.summary(),
        None => "did not come to its end".into(),
    }
}

/// What a reader must know before relying on it.
fn cautions(story: &Story, entry: &Entry, ending: &Ending) -> Vec<String> {
    let mut cautions = Vec::new();
    if let Some(safe) = story.closed.as_ref().and_then(|closed| closed.safe.as_ref())
        && !(safe.source_off && safe.supply_off && !safe.measured_live)
    {
        cautions.push("At the end an output was not confirmed off.".into());
    }
    if !story.opened.selfcheck {
        cautions.push(
            "The self-check of the bench was left out: wiring and loads were not checked before.".into(),
        );
    }
    if let Some(line) = story.journal.broken_line {
        cautions.push(format!("The journal is damaged from line {line} on: rely on no number of this page."));
    }
    if entry.gaps > 0 {
        cautions.push(format!("The run was interrupted and resumed {} times.", entry.gaps));
    }
    if matches!(ending, Ending::Limit { .. }) {
        cautions
            .push("The bench tripped and stays latched until a person has looked at it and reset it.".into());
    }
    cautions
}
