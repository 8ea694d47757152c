//! `wattproof run`: a script on any bench.

use wattproof_bench::BenchFile;
use wattproof_instruments::{Dialect, Role};
use wattproof_runs::{Nameplate, RunOrder, read_script};

use crate::cautions::CAUTIONS;
use crate::cli::RunOnPorts;
use crate::failure::Failure;
use crate::follow::follow;

/// Reads the files, shows the cautions, runs.
pub fn run_on_ports(order: &RunOnPorts) -> Result<(), Failure> {
    let bench = BenchFile::read(&order.bench)?;
    check_dialects(&bench)?;
    let nameplate = Nameplate::read(&order.nameplate)?;
    let source = read_script(&order.script)?;
    eprintln!("{CAUTIONS}\n");
    follow(
        bench,
        RunOrder { script: order.script.clone(), source, nameplate, results: order.out.clone() },
    )
}

/// Every dialect a bench file names must exist and be of the right role, before any port is opened.
pub fn check_dialects(bench: &BenchFile) -> Result<(), Failure> {
    let named = [
        (Role::Source, &bench.source.dialect),
        (Role::Load, &bench.load.dialect),
        (Role::Supply, &bench.supply.dialect),
        (Role::Digitizer, &bench.digitizer.dialect),
        (Role::Thermometer, &bench.thermometer.dialect),
    ];
    for (role, name) in named {
        let dialect = Dialect::find(name).map_err(|error| Failure::Said(error.to_string()))?;
        if dialect.role() != role {
            return Err(Failure::Said(format!(
                "bench file: [{role}] names dialect {name}, which is for a {}: name one for a {role}",
                dialect.role()
            )));
        }
    }
    Ok(())
}
