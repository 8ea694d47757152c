//! What differs between the conditions of runs, in plain words; and which of it makes their numbers incomparable: then no
//! honest sentence can begin with "more" or "less", whatever the uncertainty.

use wattproof_bench::CalibrationState;
use wattproof_method::selfcheck::Told;
use wattproof_runs::{Driven, LimitBy, Outcome, PlateKind};

use super::Side;
use crate::record::{Checked, file_name, is_simulated, parameters_words};

/// Hexadecimal digits of a hash that are shown.
const HASH_SHOWN: usize = 12;
/// Distortion counts up to here, Hz, where the sampling rate allows it (AES17, common practice).
const BAND_HZ: f64 = 20_000.0;

/// Something in which runs may differ.
struct Condition {
    name: &'static str,
    tell: fn(&Side) -> String,
    /// Why numbers are incomparable where it differs; absent where that is for the reader to judge.
    refused: Option<&'static str>,
}

const fn named(name: &'static str, tell: fn(&Side) -> String) -> Condition {
    Condition { name, tell, refused: None }
}

const fn refused(name: &'static str, tell: fn(&Side) -> String, why: &'static str) -> Condition {
    Condition { name, tell, refused: Some(why) }
}

/// Load, supply, frequency, limit and channels of a claim are no reason to refuse: each row holds them, so that claims that
/// differ in one never stand in one row. They are named all the same, since rows are missing then.
const CONDITIONS: [Condition; 22] = [
    // A number of something that doesn't exist proves nothing about something that does.
    refused("invented or real", invented, "an invented device proves nothing about a real one"),
    // A simulated bench has the errors that somebody gave it, not those of instruments.
    refused("virtual or real bench", virtual_bench, "a simulated bench has no errors of its own"),
    // Volts into kilohms and watts into a load are not the same kind of number.
    refused("amplifier or line stage", kind, "one is rated in watts, the other in volts"),
    // How a run ended is judged for each run by itself: see `unfit`.
    named("how it ended", ended),
    // Other scripts may measure other things; what they state under the same name is compared, and the text is at hand.
    named("script", script),
    named("parameters of the script", |side| parameters_words(&side.file.parameters)),
    // Judged for each run by itself: see `unfit`.
    named("self-check", |side| selfcheck(side).into()),
    // U of one side rests on a calibration and U of the other on nothing that holds: their difference has no U.
    refused(
        "calibration",
        calibration,
        "the uncertainty of one rests on a calibration and that of the other does not",
    ),
    named("distortion limits", limits),
    named("test frequencies", |side| {
        set(side.file.nameplate.rating.iter().map(|claim| format!("{} Hz", claim.hz)))
    }),
    named("loads", |side| {
        set(side.file.nameplate.rating.iter().map(|claim| format!("{} ohm", claim.load_ohm)))
    }),
    named("supply voltages", |side| {
        set(side.file.nameplate.rating.iter().map(|claim| format!("{} V", claim.supply_v)))
    }),
    named("channels driven", driven),
    named("ratings left out", left_out),
    // Another bench, with its own calibration, is what U is for.
    named("bench", |side| side.file.bench.name.clone()),
    named("instruments", instruments),
    named("wiring of the outputs", wiring),
    // Hum falls on other frequencies, supplies of the mains give other voltages.
    refused(
        "mains frequency",
        |side| format!("{} Hz", side.file.bench.mains_hz),
        "hum falls on other frequencies",
    ),
    // A digitizer that is too slow leaves harmonics out: the same amplifier looks cleaner.
    refused(
        "band that counts",
        band,
        "harmonics and noise above the lower end are left out on one side alone",
    ),
    // Above the band's need, a rate changes what residue sees and nothing that is compared.
    named("sampling rate", |side| format!("{} Hz", side.file.bench.digitizer.rate_hz)),
    named("version of the program", |side| side.file.wattproof_version.clone()),
    // Keys and columns keep their meaning within a major version alone (Semantic Versioning 2.0.0, 8).
    refused(
        "major version of the record",
        major,
        "a number may mean something else in another major version",
    ),
];

/// Every difference, a sentence each.
pub fn differences(sides: &[Side]) -> Vec<String> {
    // What a major version or a band adds is named by version and rate already, unless it is refused.
    let own = |condition: &&Condition| {
        !["major version of the record", "band that counts"].contains(&condition.name)
    };
    CONDITIONS.iter().filter(own).filter_map(|condition| difference(sides, condition)).collect()
}

/// Why the numbers of these runs are incomparable, a sentence each; empty when they can be compared.
pub fn incomparable(sides: &[Side]) -> Vec<String> {
    let between = CONDITIONS
        .iter()
        .filter_map(|condition| Some(format!("{} ({})", difference(sides, condition)?, condition.refused?)));
    between.chain(sides.iter().flat_map(unfit)).collect()
}

/// What makes the numbers of a run unfit for any comparison.
fn unfit(side: &Side) -> Vec<String> {
    let run = &side.brief.run;
    // What was not measured any more is missing, and what stopped it may have spoilt what was measured last.
    let unfinished =
        (side.file.outcome != Some(Outcome::Finished)).then(|| format!("{run}: {}", ended(side)));
    // Nobody looked whether the bench is wired as its file says, or it was found not to be.
    let unchecked = match selfcheck(side) {
        told @ ("left out" | "not finished") => Some(format!(
            "{run}: its self-check was {told}: nothing shows that the bench was wired as its file says"
        )),
        told @ "made, and something was wrong" => {
            Some(format!("{run}: its self-check was {told}: `wattproof report` tells what"))
        }
        _ => None,
    };
    unfinished.into_iter().chain(unchecked).collect()
}

/// A sentence where not all runs say the same.
fn difference(sides: &[Side], condition: &Condition) -> Option<String> {
    let told: Vec<String> = sides.iter().map(condition.tell).collect();
    let first = told.first()?;
    if told.iter().all(|one| one == first) {
        return None;
    }
    let each = sides.iter().zip(&told).map(|(side, told)| format!("{}: {told}", side.brief.run));
    Some(format!("{} – {}", condition.name, each.collect::<Vec<_>>().join("; ")))
}

fn invented(side: &Side) -> String {
    if side.brief.invented { "an invented amplifier".into() } else { "not marked as invented".into() }
}

/// Records of before the bench file's flag are told by who answered.
fn virtual_bench(side: &Side) -> String {
    let simulated = side.file.instruments.iter().any(|one| is_simulated(&one.idn));
    if side.file.bench.virtual_bench || simulated { "virtual".into() } else { "real".into() }
}

fn kind(side: &Side) -> String {
    match side.file.nameplate.kind {
        PlateKind::Amplifier => "power amplifier".into(),
        PlateKind::LineStage => "line stage".into(),
    }
}

fn ended(side: &Side) -> String {
    match side.file.outcome {
        Some(Outcome::Finished) => "finished".into(),
        Some(Outcome::Stopped) => "stopped by a person before its end".into(),
        Some(Outcome::Failed) => "failed before its end".into(),
        None => "has no end: it goes on, or was cut off".into(),
    }
}

fn script(side: &Side) -> String {
    let hash: String = side.file.script_sha256.chars().take(HASH_SHOWN).collect();
    format!("{} (SHA-256 {hash}…)", file_name(&side.file.script))
}

fn selfcheck(side: &Side) -> &'static str {
    match &side.file.selfcheck {
        Some(Checked::Made(made)) if made.checks.iter().any(|check| check.result == Told::Wrong) => {
            "made, and something was wrong"
        }
        Some(Checked::Made(_)) => "made",
        Some(Checked::LeftOut) => "left out",
        Some(Checked::Unfinished) => "not finished",
        None => "not told by this record",
    }
}

fn limits(side: &Side) -> String {
    set(side.file.nameplate.rating.iter().map(|claim| {
        let by = if claim.limit_by == LimitBy::Thd { "THD" } else { "THD+N" };
        format!("{} % {by}", claim.limit_pct)
    }))
}

fn driven(side: &Side) -> String {
    set(side.file.nameplate.rating.iter().map(|claim| match claim.driven {
        Driven::All => "all".to_string(),
        Driven::One => "one".to_string(),
        Driven::Bridged => "bridged".to_string(),
    }))
}

fn left_out(side: &Side) -> String {
    let numbers: Vec<String> = side.left_out.iter().map(|one| one.rating.to_string()).collect();
    if numbers.is_empty() { "none".into() } else { numbers.join(", ") }
}

fn wiring(side: &Side) -> String {
    if side.file.bench.digitizer.bridge.is_empty() { "single".into() } else { "bridged".into() }
}

/// Half the sampling rate bounds what is seen (sampling theorem).
fn band(side: &Side) -> String {
    format!("up to {} Hz", BAND_HZ.min(0.5 * side.file.bench.digitizer.rate_hz))
}

fn major(side: &Side) -> String {
    side.file.wattproof_version.split('.').next().unwrap_or_default().to_string()
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
