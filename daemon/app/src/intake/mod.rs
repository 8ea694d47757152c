//! `wattproof intake`: a returned unit is checked, judged beside what is known of it, and told on a page to print.
//!
//! In come a bench, a nameplate and a serial number; out go the run, a short table, outcome and reasons, and `intake.html` in
//! the run's folder, which `--record` writes anew. The run is one like any other (`perform.rs`); what the outcome rests on is
//! judged in `daemon/method` and told in `daemon/report`. Called by `main.rs`.

mod known;
mod plate;
mod told;

use std::path::{Path, PathBuf};

use clap::Args;
use wattproof_method::intake::Outcome;
use wattproof_report::{IntakeRecord, Known, intake as record_of, intake_page};
use wattproof_runs::{Nameplate, NameplateError};

use crate::cli::{RunOnPorts, WhichRun};
use crate::client::ThroughDaemon;
use crate::failure::Failure;
use crate::perform::{Ran, perform};
use crate::report::write_aside;
use crate::run_folder::folder_of;

/// How the exit code tells what came out.
pub const EXIT_CODES: &str = "Exit codes: 0 no fault found; 10 faulty; 11 undecided; otherwise the unit was not tested, and they are \
    those of `run`: 1 failed, with everything off; 2 wrong usage; 3 an output may be live: go and look; 4 the self-check found \
    the bench wired wrong, and everything is off; 130 stopped by a person.";
/// The page's name in a run's folder.
const RECORD_FILE: &str = "intake.html";
/// Folder of all runs unless told otherwise.
const RESULTS: &str = "results";

/// `intake`.
#[derive(Args)]
pub struct IntakeOrder {
    /// The bench file
    #[arg(long, value_name = "FILE", required_unless_present = "record")]
    pub bench: Option<PathBuf>,
    /// The nameplate of the unit, or of its model
    #[arg(long, value_name = "FILE", required_unless_present = "record")]
    pub nameplate: Option<PathBuf>,
    /// The unit's serial number
    #[arg(long, value_name = "NUMBER", required_unless_present = "record", value_parser = plate::serial)]
    pub serial: Option<String>,
    /// Mark this very unit as one that is known to be good: later ones of its model are compared with it
    #[arg(long)]
    pub golden: bool,
    /// What is set of the script's parameters: operator, complaint, the shop's own limits
    #[command(flatten)]
    pub set: crate::set::SetOrder,
    /// The script
    #[arg(long, value_name = "FILE", default_value = "scripts/intake_check.rhai")]
    pub script: PathBuf,
    /// Folder of all runs [default: results, or the daemon's]
    #[arg(long, value_name = "DIR")]
    pub results: Option<PathBuf>,
    /// Write the page of an intake that was made anew, from its run's folder and the catalogue; touches no port
    #[arg(long, value_name = "RUN", conflicts_with_all = ["bench", "nameplate", "serial", "golden", "set", "here"])]
    pub record: Option<PathBuf>,
    /// Run in this process even where a daemon holds the bench
    #[arg(long)]
    pub here: bool,
    /// Start without looking whether the bench is wired as its file says; the page says so
    #[arg(long)]
    pub without_selfcheck: bool,
    /// Start without rehearsing the script on a simulated bench first
    #[arg(long)]
    pub unrehearsed: bool,
    /// Folder of what outlasts a restart [default: the user's own for state]
    #[arg(long, value_name = "DIR", env = "WATTPROOF_STATE")]
    pub state: Option<PathBuf>,
    /// Print everything as JSON
    #[arg(long)]
    pub json: bool,
}

/// Checks the unit and tells what came out, or tells again what came out.
pub fn intake(order: &IntakeOrder) -> Result<(), Failure> {
    match (&order.record, &order.bench, &order.nameplate, &order.serial) {
        (Some(run), ..) => again(order, run),
        (None, Some(bench), Some(nameplate), Some(serial)) => anew(order, bench, nameplate, serial),
        // The command line asks for all three.
        _ => Err(Failure::Said("give --bench, --nameplate and --serial, or --record RUN".into())),
    }
}

fn anew(order: &IntakeOrder, bench: &Path, nameplate: &Path, serial: &str) -> Result<(), Failure> {
    let read = |source| NameplateError::Read { path: nameplate.into(), source };
    let text = wattproof_texts::read_text(nameplate).map_err(read)?;
    Nameplate::parse(nameplate, &text)?;
    let text = plate::of_unit(nameplate, &text, serial, order.golden)?;
    // A run takes the path of a nameplate; the unit's own lies where nobody else looks, and in the run's record.
    let wrap = |source| Failure::System { what: "making a folder for the unit's nameplate", source };
    let folder = tempfile::tempdir().map_err(wrap)?;
    let path = folder.path().join(nameplate.file_name().unwrap_or("nameplate.toml".as_ref()));
    std::fs::write(&path, text).map_err(|source| Failure::File { path: path.clone(), source })?;
    let ran = perform(&run_order(order, bench, path))?;
    let Ran { folder: Some(run), ended } = ran else { return ran.ended };
    if let Err(failure @ (Failure::Said(_) | Failure::WrongBench(_))) = &ended {
        aside!("wattproof: {failure}");
    }
    let known = known::known(&run).unwrap_or_else(|failure| {
        aside!("wattproof: {failure}\nhistory, population, golden unit and retest are left out");
        Known::default()
    });
    let record = record_of(&run, &known)?;
    write_and_tell(order, &run, &record)?;
    ending(record.intake.outcome, ended)
}

fn again(order: &IntakeOrder, run: &Path) -> Result<(), Failure> {
    let out = order.results.clone().unwrap_or_else(|| RESULTS.into());
    let run = folder_of(&WhichRun { run: run.into(), out })?;
    let record = record_of(&run, &known::known(&run)?)?;
    write_and_tell(order, &run, &record)
}

fn run_order(order: &IntakeOrder, bench: &Path, nameplate: PathBuf) -> RunOnPorts {
    RunOnPorts {
        script: order.script.clone(),
        bench: Some(bench.into()),
        nameplate,
        set: order.set.clone(),
        out: order.results.clone(),
        state: order.state.clone(),
        daemon: ThroughDaemon { here: order.here, leave: false, hold: false, hold_until: None },
        without_selfcheck: order.without_selfcheck,
        unrehearsed: order.unrehearsed,
        cool_to: None,
        json: order.json,
        tell: false,
        held_as: None,
        untold: true,
    }
}

fn write_and_tell(order: &IntakeOrder, run: &Path, record: &IntakeRecord) -> Result<(), Failure> {
    let page = run.join(RECORD_FILE);
    write_aside(&page, &intake_page(record)?)?;
    told::tell(record, run, &page, order.json)
}

/// A unit that is faulty or undecided says so by the exit code, unless something graver is to be said of the bench; one that
/// was not tested ends as its run did.
fn ending(outcome: Outcome, ran: Result<(), Failure>) -> Result<(), Failure> {
    match (outcome, ran) {
        (_, Err(failure @ (Failure::NotSafe | Failure::Unknown(_) | Failure::Left | Failure::Cancelled))) => {
            Err(failure)
        }
        (_, Err(failure)) if failure.is_stop() => Err(failure),
        (Outcome::NoFaultFound, ended) => ended,
        (Outcome::NotTested, Err(Failure::WrongBench(_))) => {
            Err(Failure::WrongBench("the unit is not tested".into()))
        }
        (outcome, _) => Err(Failure::Intake(outcome)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exit codes: README.md. `ExitCode` can't be compared, so that its words are.
    #[test]
    fn what_is_graver_than_the_unit_is_told_first() {
        let code = |outcome, ran: Result<(), Failure>| match ending(outcome, ran) {
            Ok(()) => "0".to_string(),
            Err(failure) => format!("{:?}", failure.exit_code()),
        };
        let is = |number: u8| format!("{:?}", std::process::ExitCode::from(number));
        assert_eq!(code(Outcome::NoFaultFound, Ok(())), "0");
        assert_eq!(code(Outcome::Faulty, Err(Failure::Short)), is(10));
        assert_eq!(code(Outcome::Faulty, Err(Failure::Said("dead".into()))), is(10));
        assert_eq!(code(Outcome::Faulty, Err(Failure::WrongBench("dead".into()))), is(10));
        assert_eq!(code(Outcome::Undecided, Err(Failure::Undecided)), is(11));
        assert_eq!(code(Outcome::Faulty, Err(Failure::NotSafe)), is(3));
        assert_eq!(code(Outcome::Faulty, Err(Failure::Stopped)), is(130));
        assert_eq!(code(Outcome::NotTested, Err(Failure::WrongBench("load".into()))), is(4));
        assert_eq!(code(Outcome::NotTested, Err(Failure::Said("lost".into()))), is(1));
        assert_eq!(code(Outcome::NotTested, Ok(())), is(1));
    }
}
