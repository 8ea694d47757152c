//! `wattproof demo`: the main job on the virtual bench, through real serial ports; once, or served with its page.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use clap::Args;
use wattproof_bench::BenchFile;
use wattproof_runs::{Nameplate, RunOrder, Script, Set, read_script};
use wattproof_serve::{Job, Place, Settings};

use crate::cautions::CAUTIONS;
use crate::cli::DemoOrder;
use crate::client::{FileAsked, JobAsked, Socket, block_on};
use crate::failure::Failure;
use crate::follow::{Order, Wish, follow};
use crate::script_process::in_own_process;
use crate::serve::{LISTEN, bench_place, ready, serve_benches, this_program};
use crate::virtual_child::VirtualChild;

const SCRIPT: &str = "scripts/rated_power.rhai";
const SHIPPED: &str = include_str!("../../../scripts/rated_power.rhai");
const NAMEPLATE: &str = "amplifier.toml";

/// What of the demo goes on after its run.
#[derive(Args)]
pub struct DemoServing {
    /// Serve the virtual bench with queue and page until Ctrl-C, and begin with that run
    #[arg(long)]
    pub serve: bool,
    /// Address and port of the page [default: 127.0.0.1:8650]
    #[arg(long, value_name = "ADDRESS:PORT", requires = "serve")]
    pub listen: Option<SocketAddr>,
}

/// Starts the virtual bench in a process of its own, opens its ports like any others, runs, prints.
pub fn demo(order: &DemoOrder) -> Result<(), Failure> {
    let folder = tempfile::tempdir().map_err(|source| Failure::System { what: "making a folder", source })?;
    let (bench_path, plates) = (folder.path().join("bench.toml"), folder.path().join("nameplates"));
    make(&plates)?;
    let plate_path = plates.join(NAMEPLATE);
    let _serving = VirtualChild::start(&order.amplifier, order.seed, &bench_path, &plate_path)?;
    aside!("Invented amplifier on a virtual bench: nothing here is real, no port of this machine is used.");
    // A checkout's own copy, so that an edited script is tried as it stands; else the one this program ships.
    let source = read_script(Path::new(SCRIPT)).unwrap_or_else(|_| SHIPPED.to_string());
    if order.serving.serve {
        return serve_it(order, folder.path(), &bench_path, &source);
    }
    let bench = BenchFile::read(&bench_path)?;
    let nameplate = Nameplate::read(&plate_path)?;
    let script = Script { path: PathBuf::from(SCRIPT), source };
    let run = RunOrder::new(script, in_own_process()?, nameplate, order.out.clone());
    // An invented amplifier's trips are forgotten with it. The demo shows how a run goes: its exit code is no verdict
    // on an amplifier that nobody has.
    follow(bench, None, Order::Run(Box::new(run)), Wish::default()).map(|_| ())
}

/// Serves the virtual bench until a signal. State, token and trips go with the folder.
fn serve_it(order: &DemoOrder, folder: &Path, bench: &Path, source: &str) -> Result<(), Failure> {
    let state = folder.join("state");
    let place = bench_place(bench, &state)?;
    let first =
        (place.id.clone(), state.clone(), source.to_string(), folder.join("nameplates").join(NAMEPLATE));
    aside!("{CAUTIONS}\n");
    let settings = Settings {
        benches: vec![place],
        scripts: scripts(folder)?,
        nameplates: folder.join("nameplates"),
        results: order.out.clone(),
        state: state.join("daemon"),
        listen: order.serving.listen.unwrap_or(LISTEN),
        host_names: Vec::new(),
        tls: None,
        program: this_program()?,
        cautions: CAUTIONS,
    };
    serve_benches(settings, move |at: &Place| {
        ready(at);
        // It is answered by the thread that is in here now.
        let submitting = std::thread::Builder::new().name("first job".into()).spawn(move || {
            let (bench, state, source, plate) = first;
            if let Err(failure) = submit(&bench, &state, &source, &plate) {
                aside!("wattproof: the first run was not submitted: {failure}");
            }
        });
        if let Err(error) = submitting {
            aside!("wattproof: the first run was not submitted: {error}");
        }
    })
}

/// The checkout's scripts, or else a folder with the one that this program ships.
fn scripts(folder: &Path) -> Result<PathBuf, Failure> {
    let shipped = Path::new(SCRIPT);
    if let Some(checkout) = shipped.parent().filter(|_| shipped.is_file()) {
        return Ok(checkout.into());
    }
    let scripts = folder.join("scripts");
    make(&scripts)?;
    let path = scripts.join(shipped.file_name().unwrap_or_default());
    std::fs::write(&path, SHIPPED).map_err(|source| Failure::File { path, source })?;
    Ok(scripts)
}

fn submit(bench: &str, state: &Path, source: &str, plate: &Path) -> Result<(), Failure> {
    let nameplate =
        wattproof_texts::read_text(plate).map_err(|source| Failure::File { path: plate.into(), source })?;
    let asked = JobAsked {
        bench,
        script: FileAsked::of(Path::new(SCRIPT), ".rhai", source),
        nameplate: FileAsked::of(plate, ".toml", &nameplate),
        set: &Set::new(),
        hold: None,
        without_selfcheck: false,
        unrehearsed: false,
    };
    block_on(Socket::of(state).post::<Job>("/jobs", &asked))??;
    Ok(())
}

fn make(folder: &Path) -> Result<(), Failure> {
    std::fs::create_dir_all(folder).map_err(|source| Failure::File { path: folder.into(), source })
}
