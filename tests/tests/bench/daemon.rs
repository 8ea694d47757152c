//! A daemon that holds a served bench, and what its command line is asked.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::{Served, root, said, wattproof};

/// What a test waits for at most.
const LONG: Duration = Duration::from_secs(60);

/// A daemon that holds the bench; ends when dropped, and lets every run end first.
pub struct Daemon {
    child: Child,
}

impl Daemon {
    pub fn start(served: &Served) -> Daemon {
        let folder = served.folder.path();
        let mut child = Command::new(wattproof())
            .args(["serve", "--listen", "127.0.0.1:0", "--bench"])
            .arg(served.bench())
            .arg("--scripts")
            .arg(root().join("scripts"))
            .arg("--nameplates")
            .arg(folder)
            .arg("--out")
            .arg(folder.join("results"))
            .env("WATTPROOF_STATE", served.state())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        assert!(lines.any(|line| line.unwrap().starts_with("The page:")), "the daemon did not start");
        Daemon { child }
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
