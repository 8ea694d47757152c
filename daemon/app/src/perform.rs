//! `wattproof run` and `wattproof resume`: a script on any bench.

use wattproof_bench::{BenchFile, check_dialects};
use wattproof_runs::{Nameplate, ResumeOrder, RunOrder, Script, bench_of, parameters_of, read_script};

use crate::cautions::CAUTIONS;
use crate::check::First;
use crate::cli::{ResumeOnPorts, RunOnPorts};
use crate::client::run_through_daemon;
use crate::failure::Failure;
use crate::follow::{Order, Wish, follow, judged};
use crate::run_folder::folder_of;
use crate::script_process::in_own_process;
use crate::state_folder::state_folder;
use crate::telling::run_and_tell;

/// Folder of all runs unless told otherwise.
const RESULTS: &str = "results";

/// Reads the files, shows the cautions, runs: through the daemon where one holds the bench, else in this process.
pub fn run_on_ports(order: &RunOnPorts) -> Result<(), Failure> {
    let bench = BenchFile::read(&order.bench)?;
    check_dialects(&bench)?;
    let nameplate = Nameplate::read(&order.nameplate)?;
    let script = Script { path: order.script.clone(), source: read_script(&order.script)? };
    let set = order.set.by_name()?;
    // What can't be set is told before a port is opened.
    parameters_of(&script, &set)?;
    if !order.tell && run_through_daemon(order, &bench.name, &script.source, &set)? {
        return Ok(());
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
        return run_and_tell(bench, state, run, first, order.cool_to);
    }
    first.map_or(Ok(()), |first| first.rehearse())?;
    aside!("{CAUTIONS}\n");
    judged(follow(
        bench,
        state,
        Order::Run(Box::new(run)),
        Wish { cool_to_c: order.cool_to, json: order.json },
    )?)
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
