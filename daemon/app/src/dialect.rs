//! `wattproof dialect`: dialect files judged, for whoever writes one.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde_json::{Value, json};
use wattproof_instruments::{Dialect, DialectError, SHIPPED, TEMPLATE};

use crate::cli::DialectWord;
use crate::failure::Failure;
use crate::say::{say, say_json};

/// Checks dialects, or prints the one to start from.
pub fn dialect(what: &DialectWord) -> Result<(), Failure> {
    match what {
        DialectWord::Check { files, json } => check(files, *json),
        DialectWord::Template => say(TEMPLATE.1.trim_end()),
    }
}

fn check(files: &[PathBuf], as_json: bool) -> Result<(), Failure> {
    let read: Vec<(String, Result<Dialect, DialectError>)> = if files.is_empty() {
        SHIPPED.iter().map(|(file, text)| ((*file).to_string(), Dialect::parse(file, text))).collect()
    } else {
        files.iter().map(|file| (file.display().to_string(), Dialect::load(file))).collect()
    };
    let mut faults = 0;
    let mut good = Vec::new();
    for (file, result) in read {
        match result {
            Ok(dialect) if as_json => good.push(told(&file, &dialect)),
            Ok(dialect) => tell(&file, &dialect)?,
            Err(error) => {
                faults += 1;
                aside!("{error}");
            }
        }
    }
    if as_json {
        say_json(&good)?;
    }
    if faults == 0 {
        return Ok(());
    }
    Err(Failure::Said(format!("{faults} of the dialects checked can't be used")))
}

fn told(file: &str, dialect: &Dialect) -> Value {
    let report = dialect.report();
    json!({
        "file": file, "role": dialect.role.to_string(), "dialect": dialect.name, "channels": dialect.channels,
        "has": by_name(report.has), "lacks": by_name(report.lacks), "notes": report.notes,
    })
}

fn by_name<T>(pairs: Vec<(&'static str, T)>) -> BTreeMap<&'static str, T> {
    pairs.into_iter().collect()
}

fn tell(file: &str, dialect: &Dialect) -> Result<(), Failure> {
    let channels = if dialect.channels == 1 { "channel" } else { "channels" };
    say(&format!("{file}: good ({} `{}`, {} {channels})", dialect.role, dialect.name, dialect.channels))?;
    let report = dialect.report();
    for (name, words) in &report.has {
        say(&format!("  {name:18} {words}"))?;
    }
    for (name, words) in &report.lacks {
        say(&format!("  {name:18} left out, optional: {words}"))?;
    }
    for note in &report.notes {
        say(&format!("  note: {note}"))?;
    }
    Ok(())
}
