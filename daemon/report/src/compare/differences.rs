//! What differs between the conditions of runs, in plain words: numbers may only be compared as far as nothing here matters.

use wattproof_bench::CalibrationState;
use wattproof_runs::{Driven, LimitBy, Outcome};

use super::Side;
use crate::record::{Checked, file_name, is_simulated, parameters_words};

/// Hexadecimal digits of a hash that are shown.
const HASH_SHOWN: usize = 12;

/// Every difference, a sentence each.
pub fn differences(sides: &[Side]) -> Vec<String> {
    let mut found = Vec::new();
    let mut look = |name: &str, tell: &dyn Fn(&Side) -> String| found.extend(difference(sides, name, tell));
    look("invented or real", &|side| {
        if side.brief.invented { "an invented amplifier".into() } else { "not marked as invented".into() }
    });
    look("how it ended", &|side| match side.file.outcome {
        Some(Outcome::Finished) => "finished".into(),
        Some(Outcome::Stopped) => "stopped by a person before its end".into(),
        Some(Outcome::Failed) => "failed before its end".into(),
        None => "has no end: it goes on, or was cut off".into(),
    });
    look("script", &|side| {
        let hash: String = side.file.script_sha256.chars().take(HASH_SHOWN).collect();
        format!("{} (SHA-256 {hash}…)", file_name(&side.file.script))
    });
    look("parameters of the script", &|side| parameters_words(&side.file.parameters));
    look("self-check", &|side| match side.file.selfcheck {
        Some(Checked::Made(_)) => "made".into(),
        Some(Checked::LeftOut) => "left out".into(),
        Some(Checked::Unfinished) => "not finished".into(),
        None => "not told by this record".into(),
    });
    look("calibration", &calibration);
    look("distortion limits", &|side| {
        set(side.file.nameplate.rating.iter().map(|claim| {
            let by = if claim.limit_by == LimitBy::Thd { "THD" } else { "THD+N" };
            format!("{} % {by}", claim.limit_pct)
        }))
    });
    look("test frequencies", &|side| {
        set(side.file.nameplate.rating.iter().map(|claim| format!("{} Hz", claim.hz)))
    });
    look("loads", &|side| {
        set(side.file.nameplate.rating.iter().map(|claim| format!("{} ohm", claim.load_ohm)))
    });
    look("supply voltages", &|side| {
        set(side.file.nameplate.rating.iter().map(|claim| format!("{} V", claim.supply_v)))
    });
    look("channels driven", &|side| {
        set(side.file.nameplate.rating.iter().map(|claim| match claim.driven {
            Driven::All => "all".to_string(),
            Driven::One => "one".to_string(),
            Driven::Bridged => "bridged".to_string(),
        }))
    });
    look("ratings left out", &|side| {
        let numbers = side.left_out.iter().map(|one| one.rating.to_string());
        let numbers: Vec<String> = numbers.collect();
        if numbers.is_empty() { "none".into() } else { numbers.join(", ") }
    });
    look("bench", &|side| side.file.bench.name.clone());
    look("instruments", &instruments);
    look("wiring of the outputs", &|side| {
        if side.file.bench.digitizer.bridge.is_empty() { "single".into() } else { "bridged".into() }
    });
    look("mains frequency", &|side| format!("{} Hz", side.file.bench.mains_hz));
    look("sampling rate", &|side| format!("{} Hz", side.file.bench.digitizer.rate_hz));
    look("version of the program", &|side| side.file.wattproof_version.clone());
    found
}

/// A sentence where not all runs say the same.
fn difference(sides: &[Side], name: &str, tell: &dyn Fn(&Side) -> String) -> Option<String> {
    let told: Vec<String> = sides.iter().map(tell).collect();
    let first = told.first()?;
    if told.iter().all(|one| one == first) {
        return None;
    }
    let each = sides.iter().zip(&told).map(|(side, told)| format!("{}: {told}", side.brief.run));
    Some(format!("{name} – {}", each.collect::<Vec<_>>().join("; ")))
}

fn set(values: impl Iterator<Item = String>) -> String {
    let mut values: Vec<String> = values.collect();
    values.sort();
    values.dedup();
    values.join(", ")
}

fn calibration(side: &Side) -> String {
    let worst = side.file.calibrations.iter().map(|input| input.calibration).max();
    match worst {
        Some(CalibrationState::Valid) => "valid".into(),
        Some(CalibrationState::Expired) => "expired".into(),
        Some(CalibrationState::Missing) => "missing".into(),
        None => "not told by this record".into(),
    }
}

/// Who answered; a simulated instrument of each start has another number, which is no difference.
fn instruments(side: &Side) -> String {
    set(side.file.instruments.iter().map(|one| {
        let idn = if is_simulated(&one.idn) { "simulated" } else { one.idn.as_str() };
        format!("{} {idn}", one.role)
    }))
}
