//! A daemon that holds a served bench, and what its command line is asked.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::{Served, root, said, wattproof};

/// What a test waits for at most.
const LONG: Duration = Duration::from_secs(60);

/// A daemon that holds the bench; ends when dropped, and lets every run end first.
pub struct Daemon {
    child: Child,
    /// Its page, with the token.
    pub page: String,
}

impl Daemon {
    pub fn start(served: &Served) -> Daemon {
        Daemon::start_on(&[served.bench()], served.folder.path())
    }

    /// Of several bench files, with state, results and nameplates in a folder.
    pub fn start_on(benches: &[PathBuf], folder: &Path) -> Daemon {
        let mut child = Daemon::command(benches, folder).stderr(Stdio::null()).spawn().unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let page = lines.map_while(Result::ok).find(|line| line.starts_with("The page: "));
        let page = page.expect("the daemon did not start");
        Daemon { child, page: page.trim_start_matches("The page: ").into() }
    }

    /// `serve` with these.
    pub fn command(benches: &[PathBuf], folder: &Path) -> Command {
        let mut command = Command::new(wattproof());
        command.args(["serve", "--listen", "127.0.0.1:0", "--scripts"]).arg(root().join("scripts"));
        for bench in benches {
            command.arg("--bench").arg(bench);
        }
        command.arg("--nameplates").arg(folder).arg("--out").arg(folder.join("results"));
        command.env("WATTPROOF_STATE", folder.join("state")).stdout(Stdio::piped());
        command
    }

    /// The process.
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    pub fn signal(&self, name: &str) {
        signal(&self.child, name);
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.signal("INT");
        let _ = self.child.wait();
    }
}

pub fn signal(child: &Child, name: &str) {
    // Whoever has ended already can't be sent anything.
    let _ = Command::new("kill")
        .arg(format!("-{name}"))
        .arg(child.id().to_string())
        .stderr(Stdio::null())
        .status();
}

/// A command that asks the daemon of a bench.
pub fn asks(served: &Served, words: &[&str]) -> Output {
    Command::new(wattproof()).args(words).env("WATTPROOF_STATE", served.state()).output().unwrap()
}

pub fn json(output: &Output) -> Value {
    assert!(output.status.success(), "{}", said(output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The job of a number, as the queue tells it.
pub fn job(served: &Served, number: u64) -> Value {
    let jobs = json(&asks(served, &["queue", "--all", "--json"]));
    jobs.as_array().unwrap().iter().find(|job| job["job"] == number).cloned().unwrap_or_default()
}

pub fn until(what: &str, mut is: impl FnMut() -> bool) {
    let until = Instant::now() + LONG;
    while !is() {
        assert!(Instant::now() < until, "not within a minute: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

pub fn outputs(served: &Served) -> [String; 3] {
    [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")].map(|(role, ask)| served.ask(role, ask))
}
