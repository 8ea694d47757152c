//! `wattproof check`: files judged, and scripts rehearsed, without touching a port.

mod first;
mod told;

use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Value, json};
use wattproof_bench::{BenchFile, check_dialects};
use wattproof_rehearsal::{HOURS, Rehearsal, RehearsalOrder, rehearse};
use wattproof_runs::{Nameplate, Script, check_source, read_script};

use crate::failure::Failure;
use crate::say::{say, say_json};

pub use first::rehearse_first;

/// `check`.
#[derive(Args)]
pub struct CheckOrder {
    /// Scripts to check; with bench file and nameplate they are rehearsed
    pub scripts: Vec<PathBuf>,
    /// Bench file to check, and to rehearse the scripts for
    #[arg(long, value_name = "FILE")]
    pub bench: Option<PathBuf>,
    /// Nameplate to check, and to rehearse the scripts with
    #[arg(long, value_name = "FILE")]
    pub nameplate: Option<PathBuf>,
    /// Rehearse without the self-check that a run begins with
    #[arg(long)]
    pub without_selfcheck: bool,
    /// Rehearse no longer than so many hours of the bench's time
    #[arg(long, value_name = "H", default_value_t = HOURS)]
    pub hours: f64,
    /// Print what was found as JSON
    #[arg(long)]
    pub json: bool,
}

/// What was found of one file.
struct Checked {
    file: PathBuf,
    /// In words of one line, and whatever more there is to tell.
    found: Result<(String, Option<Rehearsal>), Failure>,
}

/// Checks every file named, and rehearses scripts where there are bench file and nameplate; says each fault, fails if there
/// was any.
pub fn check(order: &CheckOrder) -> Result<(), Failure> {
    if order.scripts.is_empty() && order.bench.is_none() && order.nameplate.is_none() {
        return Err(Failure::Said(
            "nothing to check: name a script, --bench FILE or --nameplate FILE".into(),
        ));
    }
    let (mut checked, mut bench, mut plate) = (Vec::new(), None, None);
    if let Some(path) = &order.bench {
        let found = bench_file(path).map(|file| {
            let words = format!("bench of {} amplifier channels", file.amplifier_channels());
            bench = Some(file);
            (words, None)
        });
        checked.push(Checked { file: path.clone(), found });
    }
    if let Some(path) = &order.nameplate {
        let found = nameplate(path, bench.as_ref()).map(|read| {
            let words = format!("{} {}, {} ratings", read.maker, read.model, read.rating.len());
            plate = Some(read);
            (words, None)
        });
        checked.push(Checked { file: path.clone(), found });
    }
    for path in &order.scripts {
        let found = match (&bench, &plate) {
            (Some(bench), Some(plate)) => rehearsed(path, bench, plate, order),
            _ => script(path).map(|_| ("parses; with --bench and --nameplate it is rehearsed".into(), None)),
        };
        checked.push(Checked { file: path.clone(), found });
    }
    tell(&checked, order.json)
}

fn bench_file(path: &Path) -> Result<BenchFile, Failure> {
    let file = BenchFile::read(path)?;
    check_dialects(&file)?;
    Ok(file)
}

fn nameplate(path: &Path, bench: Option<&BenchFile>) -> Result<Nameplate, Failure> {
    let plate = Nameplate::read(path)?;
    bench.map_or(Ok(()), |bench| plate.fits(bench)).map_err(Failure::Said)?;
    Ok(plate)
}

fn script(path: &Path) -> Result<Script, Failure> {
    let script = Script { path: path.into(), source: read_script(path)? };
    check_source(&script)?;
    Ok(script)
}

/// Rehearses a script: it is good when it comes to its end.
fn rehearsed(
    path: &Path,
    bench: &BenchFile,
    plate: &Nameplate,
    order: &CheckOrder,
) -> Result<(String, Option<Rehearsal>), Failure> {
    let order = RehearsalOrder {
        script: script(path)?,
        nameplate: plate.clone(),
        bench,
        selfcheck: !order.without_selfcheck,
        hours: order.hours,
    };
    let rehearsal = rehearse(order).map_err(|error| Failure::Said(format!("{}: {error}", path.display())))?;
    match rehearsal.error {
        Some(error) => Err(Failure::Said(told::failed(&error, rehearsal.stood.as_deref()))),
        None => Ok(("comes to its end, everything off".into(), Some(rehearsal))),
    }
}

fn tell(checked: &[Checked], as_json: bool) -> Result<(), Failure> {
    let faults = checked.iter().filter(|one| one.found.is_err()).count();
    let mut rows: Vec<Value> = Vec::new();
    for Checked { file, found } in checked {
        match found {
            Ok((_, rehearsal)) if as_json => rows.push(json!({
                "file": file, "good": true, "forecast": rehearsal.as_ref().map(|one| &one.forecast),
                "lines_not_tried": rehearsal.as_ref().map(|one| &one.missed),
                "left_out": rehearsal.as_ref().map(|one| &one.left_out),
            })),
            Err(failure) if as_json => {
                rows.push(json!({ "file": file, "good": false, "error": failure.to_string() }));
            }
            Ok((words, rehearsal)) => {
                say(&format!("{}: good ({words})", file.display()))?;
                if let Some(rehearsal) = rehearsal {
                    say(&told::forecast(rehearsal))?;
                }
            }
            Err(failure) => aside!("{failure}"),
        }
    }
    if as_json {
        say_json(&rows)?;
    }
    if faults == 0 {
        return Ok(());
    }
    Err(Failure::Said(format!("{faults} of the files checked can't be used")))
}
