//! `wattproof run` and `wattproof resume`: a script on any bench.

use std::path::PathBuf;

use wattproof_bench::{BenchFile, check_dialects};
use wattproof_runs::{Nameplate, ResumeOrder, RunOrder, Script, Set, bench_of, parameters_of, read_script};

use crate::cautions::CAUTIONS;
use crate::check::First;
use crate::cli::{ResumeOnPorts, RunOnPorts};
use crate::client::{bench_file_of, run_through_daemon};
use crate::failure::Failure;
use crate::follow::{Order, Wish, carry_out, follow, judged, told};
use crate::run_folder::folder_of;
use crate::script_process::in_own_process;
use crate::state_folder::{same_name, state_folder};
use crate::telling::{run_and_tell, tell_failure};

/// Folder of all runs unless told otherwise.
const RESULTS: &str = "results";

/// A run as its files have it.
struct Prepared {
    bench_file: PathBuf,
    bench: BenchFile,
    nameplate: Nameplate,
    script: Script,
    set: Set,
}

/// A run that was performed, whichever process did it.
pub struct Ran {
    /// Where it is recorded; absent where it was never begun, or was left to the daemon.
    pub folder: Option<PathBuf>,
    /// How it ended.
    pub ended: Result<(), Failure>,
}

/// Reads the files, shows the cautions, runs: through the daemon where one holds the bench, else in this process.
pub fn run_on_ports(order: &RunOnPorts) -> Result<(), Failure> {
    perform(order)?.ended
}

/// The same, and tells where it is recorded.
pub fn perform(order: &RunOnPorts) -> Result<Ran, Failure> {
    match prepare(order) {
        Ok(prepared) => carry(order, prepared),
        // The daemon must not take a run that never began for one that fell silent.
        Err(failure) if order.tell => Ok(Ran { folder: None, ended: tell_failure(failure) }),
        Err(failure) => Err(failure),
    }
}

fn prepare(order: &RunOnPorts) -> Result<Prepared, Failure> {
    let bench_file = bench_file_of(order.bench.as_deref(), order.state.as_deref())?;
    let bench = BenchFile::read(&bench_file)?;
    same_name(order.held_as.as_deref(), &bench.name, &bench_file)?;
    check_dialects(&bench)?;
    let nameplate = Nameplate::read(&order.nameplate)?;
    let script = Script { path: order.script.clone(), source: read_script(&order.script)? };
    let set = order.set.by_name()?;
    // What can't be set is told before a port is opened.
    parameters_of(&script, &set)?;
    Ok(Prepared { bench_file, bench, nameplate, script, set })
}

fn carry(order: &RunOnPorts, prepared: Prepared) -> Result<Ran, Failure> {
    let Prepared { bench_file, bench, nameplate, script, set } = prepared;
    if !order.tell
        && let Some(ran) = run_through_daemon(order, (&bench.name, &bench_file), &script.source, &set)?
    {
        return Ok(ran);
    }
    let first = (!order.unrehearsed).then(|| First {
        script: script.clone(),
        set: set.clone(),
        bench: bench.clone(),
        nameplate: nameplate.clone(),
        selfcheck: !order.without_selfcheck,
    });
    let out = order.out.clone().unwrap_or_else(|| RESULTS.into());
    let mut run = RunOrder::new(script, in_own_process()?, nameplate, out);
    (run.selfcheck, run.set) = (!order.without_selfcheck, set);
    let state = state_folder(order.state.as_deref(), &bench.name);
    if order.tell {
        return Ok(Ran { folder: None, ended: run_and_tell(bench, state, run, first, order.cool_to) });
    }
    first.map_or(Ok(()), |first| first.rehearse())?;
    aside!("{CAUTIONS}\n");
    let wish = Wish { cool_to_c: order.cool_to, json: order.json, untold: order.untold };
    let summary = carry_out(bench, state, Order::Run(Box::new(run)), wish.cool_to_c)?;
    let ended = told(&summary, wish).and_then(judged);
    Ok(Ran { folder: Some(summary.folder.path().into()), ended })
}

/// Finds the run, shows the cautions, goes on.
pub fn resume_on_ports(order: &ResumeOnPorts) -> Result<(), Failure> {
    let folder = folder_of(&order.which)?;
    let recorded = bench_of(&folder)?;
    let bench = order.bench.as_ref().map_or(Ok(recorded), |path| BenchFile::read(path))?;
    check_dialects(&bench)?;
    let script = order
        .script
        .as_ref()
        .map(|path| Ok::<_, Failure>(Script { path: path.clone(), source: read_script(path)? }));
    aside!("{CAUTIONS}\n");
    let resume = ResumeOrder { folder, script: script.transpose()?, script_in: in_own_process()? };
    let state = state_folder(order.state.as_deref(), &bench.name);
    judged(follow(bench, state, Order::Resume(resume), Wish { json: order.json, ..Wish::default() })?)
}
