//! `wattproof prompt`: a script typed line by line on a bench, guard and record included; on a virtual bench unless one is
//! named.

mod complete;
mod pieces;
mod typing;

use std::path::PathBuf;
use std::sync::Arc;

use clap::Args;
use wattproof_bench::{BenchFile, check_dialects};
use wattproof_runs::{Event, Nameplate, RunOrder, Script, Typist, Watcher};

use crate::cautions::CAUTIONS;
use crate::failure::Failure;
use crate::follow::{Order, carry_out_watched, ending};
use crate::script_process::in_own_process;
use crate::state_folder::state_folder;
use crate::virtual_child::VirtualChild;
use typing::Typing;

/// `prompt`.
#[derive(Args)]
pub struct PromptOrder {
    /// The bench file; without one, a virtual bench is served for the session
    #[arg(long, value_name = "FILE", requires = "nameplate")]
    pub bench: Option<PathBuf>,
    /// The nameplate of the amplifier on that bench
    #[arg(long, value_name = "FILE", requires = "bench")]
    pub nameplate: Option<PathBuf>,
    /// Which invented amplifier the virtual bench has (`virtual-bench --list` lists them)
    #[arg(long, value_name = "NAME", default_value = "honest", conflicts_with = "bench")]
    pub amplifier: String,
    /// Folder under which the session's own folder is made
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub out: PathBuf,
    /// Folder of what outlasts a restart [default: the user's own for state]
    #[arg(long, value_name = "DIR", env = "WATTPROOF_STATE")]
    pub state: Option<PathBuf>,
    /// Begin without looking whether the bench is wired as its file says; the record says so
    #[arg(long)]
    pub without_selfcheck: bool,
}

/// Opens the bench, performs what is typed until the end, a stop or a trip; then everything is off.
pub fn prompt(order: &PromptOrder) -> Result<(), Failure> {
    let folder = tempfile::tempdir().map_err(|source| Failure::System { what: "making a folder", source })?;
    let (bench_path, plate_path, serving) = match (&order.bench, &order.nameplate) {
        (Some(bench), Some(plate)) => (bench.clone(), plate.clone(), None),
        _ => {
            let paths = (folder.path().join("bench.toml"), folder.path().join("amplifier.toml"));
            let serving = VirtualChild::start(&order.amplifier, 1, &paths.0, &paths.1)?;
            aside!(
                "Invented amplifier on a virtual bench: nothing here is real, no port of this machine is used."
            );
            (paths.0, paths.1, Some(serving))
        }
    };
    let bench = BenchFile::read(&bench_path)?;
    check_dialects(&bench)?;
    let nameplate = Nameplate::read(&plate_path)?;
    if serving.is_none() {
        aside!("{CAUTIONS}\n");
    }
    aside!(
        "What is typed is performed at once, within the limits of {}; everything is off at the end (Ctrl-D).\n\
         Functions: Tab, or wattproof reference. Begin with load, supply, source, settle(), capture().",
        bench_path.display()
    );
    let typing = Arc::new(Typing::begin()?);
    let mut run = RunOrder::new(Script::typed(), in_own_process()?, nameplate, order.out.clone());
    run.selfcheck = !order.without_selfcheck;
    run.typist = Some(Arc::clone(&typing) as Arc<dyn Typist>);
    // A virtual amplifier's trips are forgotten with it.
    let state = serving.is_none().then(|| state_folder(order.state.as_deref(), &bench.name)).flatten();
    let ended = carry_out_watched(bench, state, Order::Run(Box::new(run)), Arc::new(Plain));
    // However it ended, a terminal that still waits for a line is put back as it was.
    typing.leave();
    let summary = ended?;
    let folder = summary.folder.path().display().to_string();
    ending(&summary, Ok(()))?;
    aside!("everything is off; {} steps recorded in {folder}", summary.steps);
    Ok(())
}

/// Plain lines: a bar would be drawn over what is typed.
struct Plain;

impl Watcher for Plain {
    fn tell(&self, event: &Event<'_>) {
        match event {
            Event::Printed(text) => aside!("{text}"),
            Event::Stepped(step) => aside!("step {} is recorded", step.step),
            Event::Checked(found) => aside!("self-check: {}", found.summary()),
            _ => {}
        }
    }
}
