//! `wattproof demo`: the main job on the virtual bench, through real serial ports.

use std::io::{BufRead, BufReader};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use wattproof_bench::BenchFile;
use wattproof_runs::{Nameplate, RunOrder, Script, read_script};

use crate::cli::DemoOrder;
use crate::failure::Failure;
use crate::follow::{Order, follow};
use crate::script_process::in_own_process;
use crate::virtual_bench::READY;

const SCRIPT: &str = "scripts/rated_power.rhai";
const SHIPPED: &str = include_str!("../../../scripts/rated_power.rhai");

/// Starts the virtual bench in a process of its own, opens its ports like any others, runs, prints.
pub fn demo(order: &DemoOrder) -> Result<(), Failure> {
    let folder = tempfile::tempdir().map_err(|source| Failure::System { what: "making a folder", source })?;
    let (bench_path, plate_path) = (folder.path().join("bench.toml"), folder.path().join("nameplate.toml"));
    let _serving = Serving::start(order, &bench_path, &plate_path)?;
    let bench = BenchFile::read(&bench_path)?;
    let nameplate = Nameplate::read(&plate_path)?;
    eprintln!(
        "Invented amplifier on a virtual bench: nothing here is real, no port of this machine is used."
    );
    // A checkout's own copy, so that an edited script is tried as it stands; else the one this program ships.
    let source = read_script(Path::new(SCRIPT)).unwrap_or_else(|_| SHIPPED.to_string());
    let script = Script { path: PathBuf::from(SCRIPT), source };
    let run = RunOrder::new(script, in_own_process()?, nameplate, order.out.clone());
    // An invented amplifier's trips are forgotten with it.
    // It shows how a run goes; its exit code is no verdict on an amplifier that nobody has.
    follow(bench, None, Order::Run(run), None).map(|_| ())
}

/// The serving process; ends when dropped, and by itself when this process dies and its input closes.
struct Serving(Child);

impl Serving {
    fn start(order: &DemoOrder, bench: &Path, plate: &Path) -> Result<Self, Failure> {
        let wrap = |source| Failure::System { what: "starting the virtual bench", source };
        let mut child = Command::new(std::env::current_exe().map_err(wrap)?)
            .args(["virtual-bench", "--until-stdin-closes", "--amplifier", &order.amplifier])
            .args(["--seed", &order.seed.to_string()])
            .arg("--write-bench")
            .arg(bench)
            .arg("--write-nameplate")
            .arg(plate)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            // A group of its own: Ctrl-C must reach this process, which then switches the bench off in order.
            .process_group(0)
            .spawn()
            .map_err(wrap)?;
        let output = child.stdout.take();
        let serving = Serving(child);
        let mut lines =
            BufReader::new(output.ok_or_else(|| wrap(std::io::Error::other("no output")))?).lines();
        match lines.find(|line| line.as_ref().is_ok_and(|line| line.starts_with(READY))) {
            Some(_) => Ok(serving),
            // The child has said why on standard error.
            None => Err(Failure::Said("the virtual bench did not start".into())),
        }
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        drop(self.0.stdin.take());
        if let Err(error) = self.0.kill().and_then(|()| self.0.wait()) {
            tracing::warn!("the virtual bench was not ended: {error}");
        }
    }
}
