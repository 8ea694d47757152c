//! What a reader must know before believing a number: everything that was not as it should be, as far as the record tells.

use std::collections::BTreeMap;

use wattproof_bench::CalibrationState;
use wattproof_method::selfcheck::Told;
use wattproof_runs::Outcome;

use crate::number::duration;
use crate::record::{StepRow, Story, is_simulated};

/// A sentence each, the gravest first.
pub fn deviations(story: &Story, steps: &[StepRow]) -> Vec<String> {
    let mut found = Vec::new();
    record(story, &mut found);
    found.extend(simulated(story));
    selfcheck(story, &mut found);
    for (number, resumed) in (1..).zip(&story.resumed) {
        let gap = match resumed.gap_s {
            Some(gap_s) => format!("after a gap of {}", duration(gap_s)),
            None => "after a gap of unknown length".into(),
        };
        found.push(format!(
            "Resumption {number}: the run was cut off or stopped and went on at {} {gap}; the amplifier may have cooled meanwhile, and the bench's clock leaves the gap out.",
            resumed.at_utc
        ));
    }
    calibration(story, &mut found);
    flags(steps, &mut found);
    let version = env!("CARGO_PKG_VERSION");
    if story.opened.wattproof_version != version {
        found.push(format!(
            "The run was recorded by version {} of the program and this report was made by version {version}.",
            story.opened.wattproof_version
        ));
    }
    found
}

fn record(story: &Story, found: &mut Vec<String>) {
    match story.closed.as_ref().map(|closed| closed.outcome) {
        Some(Outcome::Finished) => {}
        Some(Outcome::Stopped) => found.push("A person stopped the run before its end.".into()),
        Some(Outcome::Failed) => found.push("The run failed before its end.".into()),
        None => found.push("The record has no end: the run goes on, or was cut off.".into()),
    }
    if let Some(safe) = story.closed.as_ref().and_then(|closed| closed.safe.as_ref()) {
        if !(safe.source_off && safe.supply_off && !safe.measured_live) {
            found.push("At the end an output was not confirmed off.".into());
        }
        found.extend(safe.warnings.iter().map(|warning| format!("At the end: {warning}")));
    }
    if let Some(line) = story.journal.broken_line {
        found.push(format!(
            "The journal is damaged from line {line} on: it is not as it was written. Nothing that stands after it is told here, and no number of this run should be relied on before the file has been taken from a copy."
        ));
    }
    if story.journal.torn_bytes > 0 && story.closed.is_none() {
        found.push(format!(
            "After the last whole line of the journal stand {} bytes of a write that did not come to its end.",
            story.journal.torn_bytes
        ));
    }
}

fn simulated(story: &Story) -> Option<String> {
    let simulated = story.opened.instruments.iter().filter(|one| is_simulated(&one.idn)).count();
    match (simulated, story.opened.nameplate.invented) {
        (0, true) => Some("The nameplate is marked as invented, yet the instruments are no simulated ones.".into()),
        (0, false) => None,
        (_, true) => Some("Amplifier and claims are invented and the instruments are simulated: nothing here was measured on a real device.".into()),
        (_, false) => Some("The instruments are simulated: nothing here was measured on a real device, whatever the nameplate says.".into()),
    }
}

fn selfcheck(story: &Story, found: &mut Vec<String>) {
    match &story.selfcheck {
        _ if !story.opened.selfcheck => {
            found.push("The self-check of the bench was left out: wiring, polarity, gain and loads were not checked before the run.".into());
        }
        None => found.push("The self-check of the bench did not come to its end.".into()),
        Some(made) => {
            for check in made.checks.iter().filter(|check| check.result != Told::Ok) {
                let channel = check.channel.map_or(String::new(), |number| format!(" of channel {number}"));
                found.push(format!(
                    "Self-check, {}{channel}: {} ({}).{}",
                    check.check,
                    check.result,
                    check.found,
                    if check.next.is_empty() { String::new() } else { format!(" Next: {}.", check.next) }
                ));
            }
        }
    }
}

fn calibration(story: &Story, found: &mut Vec<String>) {
    let inputs = &story.opened.bench.digitizer.channel;
    let state = |wanted: CalibrationState| {
        let own =
            inputs.iter().filter(move |input| input.calibration_state(&story.opened.begun_day) == wanted);
        own.map(|input| input.adc.to_string()).collect::<Vec<_>>()
    };
    let missing = state(CalibrationState::Missing);
    if !missing.is_empty() {
        found.push(format!(
            "No calibration of digitizer inputs {}: the tolerances of the bench file stand for it in U.",
            missing.join(", ")
        ));
    }
    let expired = state(CalibrationState::Expired);
    if !expired.is_empty() {
        found.push(format!(
            "Expired calibration of digitizer inputs {}: U allows for the drift since its due day.",
            expired.join(", ")
        ));
    }
}

/// How many readings of driven channels bear which flag.
fn flags(steps: &[StepRow], found: &mut Vec<String>) {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    let driven = || steps.iter().flat_map(|step| &step.channels).filter(|channel| channel.driven);
    // Of a line stage every reading has it; the head of the report says so once.
    let words = driven().flat_map(|channel| channel.flags.split_whitespace());
    for word in words.filter(|word| *word != "no_current_input") {
        *counts.entry(word).or_default() += 1;
    }
    if !counts.is_empty() {
        let each: Vec<String> = counts.iter().map(|(word, count)| format!("{word} {count}")).collect();
        found.push(format!(
            "Of {} readings of driven channels some are flagged: {}.",
            driven().count(),
            each.join(", ")
        ));
    }
}
