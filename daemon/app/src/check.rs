//! `wattproof check`: files judged without touching a port.

use std::path::Path;

use wattproof_bench::{BenchFile, check_dialects};
use wattproof_runs::{Nameplate, Script, Set, check_source, parameters_of, read_script};

use crate::cli::CheckOrder;
use crate::failure::Failure;
use crate::parameters_table::parameters_table;

/// Checks every file named; says each fault, fails if there was any.
pub fn check(order: &CheckOrder) -> Result<(), Failure> {
    let mut checked: Vec<(String, Result<String, Failure>)> = Vec::new();
    for script in &order.scripts {
        let result = check_script(script);
        checked.push((script.display().to_string(), result));
    }
    if let Some(path) = &order.bench {
        let described = BenchFile::read(path).map_err(Failure::from).and_then(|bench| {
            check_dialects(&bench)?;
            Ok(format!("bench of {} amplifier channels", bench.amplifier_channels()))
        });
        checked.push((path.display().to_string(), described));
    }
    if let Some(path) = &order.nameplate {
        let described = Nameplate::read(path).map_err(Failure::from).and_then(|plate| {
            // A bench file that can't be read is told above.
            let bench = order.bench.as_ref().and_then(|bench| BenchFile::read(bench).ok());
            bench.map_or(Ok(()), |bench| plate.fits(&bench)).map_err(Failure::Said)?;
            Ok(format!("{} {}, {} ratings", plate.maker, plate.model, plate.rating.len()))
        });
        checked.push((path.display().to_string(), described));
    }
    if checked.is_empty() {
        return Err(Failure::Said(
            "nothing to check: name a script, --bench FILE or --nameplate FILE".into(),
        ));
    }
    let mut faults = 0;
    for (name, result) in checked {
        match result {
            Ok(described) => crate::say::say(&format!("{name}: good, {described}"))?,
            Err(failure) => {
                faults += 1;
                aside!("{failure}");
            }
        }
    }
    if faults == 0 {
        return Ok(());
    }
    Err(Failure::Said(format!("{faults} of the files checked can't be used")))
}

/// What a script is, with its parameters; a script that does not say its version is told how.
fn check_script(path: &Path) -> Result<String, Failure> {
    let script = Script { path: path.into(), source: read_script(path)? };
    let layout = check_source(&script)?;
    let parameters = parameters_of(&script, &Set::new())?;
    if !layout.says_version {
        aside!(
            "{}: it does not say for which version it is written: let requires \"wattproof 1\"; be its first statement",
            path.display()
        );
    }
    if parameters.is_empty() {
        return Ok("parses; no parameters".into());
    }
    Ok(format!(
        "parses; its parameters, for `wattproof run --set name=value`:\n{}",
        parameters_table(&parameters)
    ))
}
