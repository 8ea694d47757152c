//! `wattproof selfcheck`: the check that begins every run, by itself: a run whose script does nothing, recorded like any.

use std::path::PathBuf;

use wattproof_bench::{BenchFile, check_dialects};
use wattproof_method::selfcheck::{SelfCheck, Told};
use wattproof_runs::{Nameplate, PlateKind, RunError, RunOrder, RunSummary, Script, ScriptIn};

use crate::cautions::CAUTIONS;
use crate::cli::SelfCheckOrder;
use crate::failure::Failure;
use crate::follow::{Order, carry_out};
use crate::say::say;
use crate::state_folder::state_folder;
use crate::table::{plain_table, printed};

/// Name of a record without an amplifier's.
const NO_AMPLIFIER: &str = "selfcheck";

/// Reads the files, shows the cautions, checks, prints every check.
pub fn selfcheck(order: &SelfCheckOrder) -> Result<(), Failure> {
    let bench = BenchFile::read(&order.bench)?;
    check_dialects(&bench)?;
    let nameplate =
        order.nameplate.as_ref().map_or_else(|| Ok(nobody(&bench)), |path| Nameplate::read(path))?;
    aside!("{CAUTIONS}\n");
    // The script is this program's own and empty: it needs no process to bound it.
    let script = Script { path: PathBuf::from("(self-check alone)"), source: String::new() };
    let run = RunOrder::new(script, ScriptIn::Here, nameplate, order.out.clone());
    let state = state_folder(order.state.as_deref(), &bench.name);
    let summary = carry_out(bench, state, Order::Run(Box::new(run)), None)?;
    tell(&summary, order.json)
}

/// No amplifier that may be tried.
fn nobody(bench: &BenchFile) -> Nameplate {
    Nameplate {
        maker: String::new(),
        model: NO_AMPLIFIER.into(),
        serial: None,
        price: None,
        currency: None,
        golden: false,
        invented: false,
        kind: PlateKind::Amplifier,
        channels: u32::try_from(bench.amplifier_channels()).unwrap_or(u32::MAX),
        rating: Vec::new(),
    }
}

fn tell(summary: &RunSummary, json: bool) -> Result<(), Failure> {
    let told = match &summary.selfcheck {
        Some(found) if json => say(&as_json(found)?),
        Some(found) => say(&format!(
            "{}\n\nself-check: {}\nrecorded: {}",
            table(found),
            found.summary(),
            summary.folder.path().display()
        )),
        None => Ok(()),
    };
    let wrong = summary.selfcheck.as_ref().map_or(0, |found| found.count(Told::Wrong));
    match (&summary.error, wrong) {
        // Told in the table already.
        (None | Some(RunError::SelfCheck(_)), wrong) if wrong > 0 && summary.safe.is_safe() => {
            told?;
            let all = "everything is off";
            Err(Failure::WrongBench(format!(
                "the self-check found {wrong} of the bench's checks wrong; {all}"
            )))
        }
        _ => crate::follow::ending(summary, told),
    }
}

fn as_json(found: &SelfCheck) -> Result<String, Failure> {
    serde_json::to_string_pretty(found)
        .map_err(|error| Failure::Said(format!("the self-check could not be put into JSON: {error}")))
}

fn table(found: &SelfCheck) -> String {
    let mut table = plain_table(&["check", "ch", "result", "found", "allowed, and why"]);
    for check in &found.checks {
        let channel = check.channel.map(|channel| channel.to_string()).unwrap_or_default();
        let result = check.result.to_string();
        table.add_row([
            check.check.clone(),
            channel,
            if check.result == Told::Wrong { result.to_uppercase() } else { result },
            check.found.clone(),
            check.allowed_words(),
        ]);
    }
    let mut text = printed(table);
    let next = found.checks.iter().filter(|check| !check.next.is_empty());
    for check in next {
        text.push_str(&format!("\n{} ({}): {}", check.title(), check.result, check.next));
    }
    text
}
