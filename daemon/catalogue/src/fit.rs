//! Making an entry fit to be kept, the same in every database, before anything of it is written.

use sha2::{Digest, Sha256};

use crate::entry::{CleanPower, Entry, FindingEntry, RatingEntry};
use crate::error::{Error, Result};

/// Longest text that is searched by, bytes: three of them together still fit into an index row of PostgreSQL's.
const SEARCHED_BYTES_MAX: usize = 800;

/// An entry as every database keeps it, and the hash over all that it says.
#[derive(Debug, Clone)]
pub(crate) struct Fitted {
    pub(crate) entry: Entry,
    pub(crate) digest: String,
}

/// Numbers that are not finite become absent, and characters that PostgreSQL has no place for become U+FFFD.
pub(crate) fn fitted(entry: &Entry) -> Result<Fitted> {
    let mut entry = entry.clone();
    texts(&mut entry);
    numbers(&mut entry);
    searched(&entry)?;
    let digest = digest(&entry)?;
    Ok(Fitted { entry, digest })
}

fn unfit(entry: &Entry, why: impl Into<String>) -> Error {
    Error::Unfit { key: entry.key.chars().take(64).collect(), why: why.into() }
}

fn digest(entry: &Entry) -> Result<String> {
    let told = serde_json::to_vec(entry).map_err(|error| unfit(entry, error.to_string()))?;
    Ok(Sha256::digest(&told).iter().map(|byte| format!("{byte:02x}")).collect())
}

/// That what is searched by has a length to search by.
fn searched(entry: &Entry) -> Result<()> {
    if entry.key.is_empty() {
        return Err(unfit(entry, format!("the run {:?} in {:?} has no key", entry.run, entry.folder)));
    }
    let own = [
        ("key", Some(&entry.key)),
        ("maker", Some(&entry.maker)),
        ("model", Some(&entry.model)),
        ("serial number", entry.serial.as_ref()),
        ("script", Some(&entry.script)),
        ("start", Some(&entry.started_utc)),
        ("verdict", entry.verdict.as_ref()),
    ];
    let causes = entry.ratings.iter().map(|rating| ("cause", rating.cause.as_ref()));
    for (name, text) in own.into_iter().chain(causes) {
        let bytes = text.map_or(0, String::len);
        if bytes > SEARCHED_BYTES_MAX {
            return Err(unfit(
                entry,
                format!("its {name} has {bytes} bytes, more than {SEARCHED_BYTES_MAX}"),
            ));
        }
    }
    Ok(())
}

fn texts(entry: &mut Entry) {
    let plain = |text: &mut String| {
        if text.contains('\0') {
            *text = text.replace('\0', "\u{fffd}");
        }
    };
    let Entry { key, chain, run, folder, bench, maker, model, script, script_sha256, started_utc, .. } =
        entry;
    [key, chain, run, folder, bench, maker, model, script, script_sha256, started_utc]
        .into_iter()
        .for_each(plain);
    plain(&mut entry.wattproof_version);
    let Entry {
        serial, currency, operator, ended_utc, outcome, error, verdict, calibration, selfcheck, ..
    } = entry;
    let some = [serial, currency, operator, ended_utc, outcome, error, verdict, calibration, selfcheck];
    some.into_iter().flatten().for_each(plain);
    for rating in &mut entry.ratings {
        [&mut rating.unit, &mut rating.driven, &mut rating.limit_by].into_iter().for_each(plain);
        [&mut rating.verdict, &mut rating.cause, &mut rating.not_measured]
            .into_iter()
            .flatten()
            .for_each(plain);
    }
    for finding in &mut entry.findings {
        [&mut finding.name, &mut finding.unit, &mut finding.at, &mut finding.note]
            .into_iter()
            .for_each(plain);
        finding.verdict.iter_mut().for_each(plain);
    }
    for instrument in &mut entry.instruments {
        [&mut instrument.role, &mut instrument.idn, &mut instrument.dialect].into_iter().for_each(plain);
    }
    for file in &mut entry.files {
        plain(&mut file.name);
        file.sha256.iter_mut().for_each(plain);
    }
}

/// A finite number (of the two zeros the positive one, since SQLite keeps but that), or none.
fn finite(number: Option<f64>) -> Option<f64> {
    number.filter(|number| number.is_finite()).map(|number| number + 0.0)
}

fn numbers(entry: &mut Entry) {
    let own = |number: &mut Option<f64>| *number = finite(*number);
    let needed = |number: &mut f64| *number = finite(Some(*number)).unwrap_or(f64::NAN);
    let count = |number: &mut u64| *number = (*number).min(i64::MAX.unsigned_abs());
    [&mut entry.price, &mut entry.gap_s].into_iter().for_each(own);
    [&mut entry.lines, &mut entry.steps, &mut entry.gaps].into_iter().for_each(count);
    for rating in &mut entry.ratings {
        let RatingEntry {
            rated, measured, expanded_u, ratio_db, out_vrms, efficiency_pct, heatsink_c, ..
        } = rating;
        [rated, measured, expanded_u, ratio_db, out_vrms, efficiency_pct, heatsink_c]
            .into_iter()
            .for_each(own);
        [&mut rating.load_ohm, &mut rating.supply_v, &mut rating.hz, &mut rating.limit_pct]
            .into_iter()
            .for_each(needed);
        count(&mut rating.rating);
        for CleanPower { limit_pct, delivered } in &mut rating.clean {
            [limit_pct, delivered].into_iter().for_each(needed);
        }
    }
    for FindingEntry { finding, channel, value, expanded_u, low, high, .. } in &mut entry.findings {
        count(finding);
        channel.iter_mut().for_each(count);
        needed(value);
        [expanded_u, low, high].into_iter().for_each(own);
    }
    for file in &mut entry.files {
        count(&mut file.bytes);
    }
}
