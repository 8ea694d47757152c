//! `wattproof run`: a script on any bench.

use wattproof_bench::{BenchFile, check_dialects};
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
    follow(bench, RunOrder { script: order.script.clone(), source, nameplate, results: order.out.clone() })
}
