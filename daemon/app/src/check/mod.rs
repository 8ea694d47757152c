//! `wattproof check`: files judged, and scripts rehearsed, without touching a port.

mod first;
mod told;

use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Value, json};
use wattproof_bench::{BenchFile, check_dialects};
use wattproof_rehearsal::{HOURS, Rehearsal, RehearsalOrder, rehearse};
use wattproof_runs::{Nameplate, Parameter, Script, Set, check_source, parameters_of, read_script};

use crate::failure::Failure;
use crate::parameters_table::parameters_table;
use crate::say::{say, say_json};
use crate::set::SetOrder;

pub use first::First;

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
    /// What is set of the scripts' parameters for their rehearsal
    #[command(flatten)]
    pub set: SetOrder,
    /// Rehearse without the self-check that a run begins with
    #[arg(long)]
    pub without_selfcheck: bool,
    /// Rehearse no longer than so many hours of the bench's time
    #[arg(long, value_name = "H", default_value_t = HOURS)]
    pub hours: f64,
    /// Show what the scripts print in their rehearsal
    #[arg(long)]
    pub printed: bool,
    /// Print what was found as JSON
    #[arg(long)]
    pub json: bool,
}

/// What was found of one file.
struct Checked {
    file: PathBuf,
    found: Result<Found, Failure>,
}

/// What a good file is.
#[derive(Default)]
struct Found {
    /// In words of one line.
    words: String,
    parameters: Vec<Parameter>,
    rehearsal: Option<Rehearsal>,
}

impl Found {
    fn file(words: String) -> Self {
        Found { words, ..Found::default() }
    }

    fn json(&self, file: &Path) -> Value {
        let rehearsal = self.rehearsal.as_ref();
        json!({
            "file": file, "good": true, "parameters": self.parameters,
            "forecast": rehearsal.map(|one| &one.forecast),
            "printed": rehearsal.map(|one| &one.printed),
            "lines_not_tried": rehearsal.map(|one| &one.missed),
            "left_out": rehearsal.map(|one| &one.left_out),
        })
    }

    fn say(&self, file: &Path, printed: bool) -> Result<(), Failure> {
        say(&format!("{}: good ({})", file.display(), self.words))?;
        if !self.parameters.is_empty() {
            say(&format!(
                "its parameters, for `wattproof run --set name=value`:\n{}",
                parameters_table(&self.parameters)
            ))?;
        }
        let Some(rehearsal) = &self.rehearsal else { return Ok(()) };
        if printed {
            rehearsal.printed.iter().try_for_each(|line| say(line))?;
        }
        say(&told::forecast(rehearsal))
    }
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
            Found::file(words)
        });
        checked.push(Checked { file: path.clone(), found });
    }
    if let Some(path) = &order.nameplate {
        let found = nameplate(path, bench.as_ref()).map(|read| {
            let words = format!("{} {}, {} ratings", read.maker, read.model, read.rating.len());
            plate = Some(read);
            Found::file(words)
        });
        checked.push(Checked { file: path.clone(), found });
    }
    let set = order.set.by_name()?;
    for path in &order.scripts {
        let for_it = bench.as_ref().zip(plate.as_ref());
        checked.push(Checked { file: path.clone(), found: script(path, &set, for_it, order) });
    }
    tell(&checked, order.json, order.printed)
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

/// A script that parses, with its parameters, and how its rehearsal went where there is a bench for it.
fn script(
    path: &Path,
    set: &Set,
    for_it: Option<(&BenchFile, &Nameplate)>,
    order: &CheckOrder,
) -> Result<Found, Failure> {
    if path.to_string_lossy().ends_with("_test.rhai") {
        return Err(Failure::Said(format!(
            "{}: this is a test of a script: `wattproof test-scripts {}` performs it",
            path.display(),
            path.display()
        )));
    }
    let script = Script { path: path.into(), source: read_script(path)? };
    let layout = check_source(&script)?;
    let parameters = parameters_of(&script, set)?;
    if !layout.says_version {
        aside!(
            "{}: it does not say for which version it is written: let requires \"wattproof 1\"; be its first statement",
            path.display()
        );
    }
    let Some((bench, plate)) = for_it else {
        let words = "parses; with --bench and --nameplate it is rehearsed".into();
        return Ok(Found { words, parameters, rehearsal: None });
    };
    let order = RehearsalOrder {
        script,
        set: set.clone(),
        nameplate: plate.clone(),
        bench,
        selfcheck: !order.without_selfcheck,
        hours: order.hours,
    };
    let rehearsal = rehearse(order).map_err(|error| Failure::Said(format!("{}: {error}", path.display())))?;
    if let Some(why) = told::failed(&rehearsal) {
        return Err(Failure::Said(why));
    }
    Ok(Found { words: "comes to its end, everything off".into(), parameters, rehearsal: Some(rehearsal) })
}

fn tell(checked: &[Checked], as_json: bool, printed: bool) -> Result<(), Failure> {
    let faults = checked.iter().filter(|one| one.found.is_err()).count();
    let mut rows: Vec<Value> = Vec::new();
    for Checked { file, found } in checked {
        match found {
            Ok(found) if as_json => rows.push(found.json(file)),
            Err(failure) if as_json => {
                rows.push(json!({ "file": file, "good": false, "error": failure.to_string() }));
            }
            Ok(found) => found.say(file, printed)?,
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
