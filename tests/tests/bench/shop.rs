//! Several served benches at one daemon, and what its command line is asked.

use std::path::PathBuf;
use std::process::{Command, Output};

use serde_json::Value;
use tempfile::TempDir;

use super::daemon::{Daemon, json};
use super::{Served, said, wattproof};

/// Benches, their daemon, and a folder for what that keeps and records.
pub struct Shop {
    // Dropped in this order: the daemon lets its runs end while their instruments still answer.
    pub daemon: Daemon,
    pub benches: Vec<Served>,
    pub names: Vec<String>,
    pub folder: TempDir,
}

impl Shop {
    pub fn open(benches: Vec<Served>) -> Shop {
        let folder = tempfile::tempdir().unwrap();
        let files: Vec<PathBuf> = benches.iter().map(Served::bench).collect();
        let daemon = Daemon::start_on(&files, folder.path());
        let names = benches.iter().map(Served::name).collect();
        Shop { daemon, benches, names, folder }
    }

    /// A command of this shop's person.
    pub fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(wattproof());
        command.args(words).env("WATTPROOF_STATE", self.folder.path().join("state"));
        command
    }

    pub fn asks(&self, words: &[&str]) -> Output {
        self.command(words).output().unwrap()
    }

    /// What `status` tells.
    pub fn status(&self) -> Value {
        json(&self.asks(&["status", "--json"]))
    }

    /// A bench as `status` tells it.
    pub fn bench(&self, index: usize) -> Value {
        let name = &self.names[index];
        let status = self.status();
        let benches = status["benches"].as_array().unwrap();
        benches.iter().find(|bench| bench["name"] == name.as_str()).unwrap().clone()
    }

    /// Hands a script to the daemon for a bench, which is named as a person names it, and gives the job's number.
    pub fn leave(&self, index: usize, script: &str) -> u64 {
        self.leave_with(index, script, &[])
    }

    /// The same with further words for `run`.
    pub fn leave_with(&self, index: usize, script: &str, further: &[&str]) -> u64 {
        let served = &self.benches[index];
        let script = served.script(script);
        let mut run = self.command(&["run", "--leave", "--bench", &self.names[index], "--nameplate"]);
        let left = run.arg(served.nameplate()).arg(script).args(further).output().unwrap();
        assert!(left.status.success(), "{}", said(&left));
        let words = String::from_utf8_lossy(&left.stdout).into_owned();
        assert!(words.contains(&self.names[index]), "{words}");
        words.split_whitespace().nth(1).unwrap().parse().unwrap()
    }

    /// A job as the queue tells it.
    pub fn job(&self, job: u64) -> Value {
        let jobs = json(&self.asks(&["queue", "--all", "--json"]));
        jobs.as_array().unwrap().iter().find(|one| one["job"] == job).cloned().unwrap_or_default()
    }

    /// The folder of a job's run.
    pub fn run_folder(&self, job: u64) -> PathBuf {
        self.folder.path().join("results").join(self.job(job)["run"].as_str().unwrap())
    }
}
