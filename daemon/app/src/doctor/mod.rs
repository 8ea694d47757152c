//! `wattproof doctor`: is this machine fit for an unattended bench, and what must be mended?
//!
//! It looks at files of the system only. It opens no port, since opening one raises its lines, which may reset an
//! instrument or close a contactor; so it sends nothing and switches nothing. Every check takes the root of the file
//! system as an argument, so that tests can show it any machine.

mod finding;
mod ports;
mod programs;
mod service;
mod storage;
mod system;
mod watching;

use wattproof_bench::BenchFile;

use crate::cli::DoctorOrder;
use crate::failure::Failure;
use crate::machine::Machine;
use crate::say::say;
use finding::Level;

/// Checks everything and prints a line for each finding; fails if anything must be fixed.
pub fn doctor(order: &DoctorOrder) -> Result<(), Failure> {
    let bench = order.bench.as_deref().map(BenchFile::read).transpose()?;
    let machine = Machine::real();
    let mut findings = Vec::new();
    findings.extend(ports::ports(&machine, bench.as_ref()));
    findings.extend(programs::programs(&machine, bench.as_ref()));
    findings.extend(storage::storage(&machine, &order.out));
    findings.extend(system::system(&machine));
    findings.extend(service::service(&machine));
    findings.extend(watching::guardian(&crate::guardian::program()));
    let broken = findings.iter().filter(|finding| finding.level == Level::Fix).count();
    if order.json {
        let text = serde_json::to_string_pretty(&findings)
            .map_err(|error| Failure::Said(format!("the findings could not be put into JSON: {error}")))?;
        say(&text)?;
    } else {
        for finding in &findings {
            say(&finding.to_string())?;
        }
    }
    match broken {
        0 => Ok(()),
        1 => Err(Failure::Said("1 thing must be fixed before this bench runs unattended".into())),
        _ => Err(Failure::Said(format!("{broken} things must be fixed before this bench runs unattended"))),
    }
}
