//! A virtual bench in a process of its own, and the daemon run against it, as a user would.

#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test helper fails by panicking"
)]

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

/// The binary under test: built by `tests/all.sh` or named by WATTPROOF_BIN.
pub fn wattproof() -> PathBuf {
    if let Some(named) = std::env::var_os("WATTPROOF_BIN") {
        return named.into();
    }
    let root = root();
    let built = root.join("target/release/wattproof");
    assert!(built.exists(), "build it first: cargo build --release -p wattproof");
    built
}

/// The checkout.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().into()
}

/// A served virtual bench with its files; ends when dropped.
pub struct Served {
    child: Child,
    pub folder: tempfile::TempDir,
}

impl Served {
    pub fn start(amplifier: &str) -> Served {
        Self::start_with(amplifier, |_| None)
    }

    /// The same, with the fault file that `faults` makes of the folder.
    pub fn start_with(amplifier: &str, faults: impl FnOnce(&Path) -> Option<String>) -> Served {
        let folder = tempfile::tempdir().unwrap();
        let mut command = Command::new(wattproof());
        if let Some(text) = faults(folder.path()) {
            let path = folder.path().join("faults.toml");
            std::fs::write(&path, format!("invented = true\n{text}")).unwrap();
            command.args(["virtual-bench", "--faults"]).arg(path);
        } else {
            command.arg("virtual-bench");
        }
        let mut child = command
            .args(["--until-stdin-closes", "--amplifier", amplifier, "--seed", "7"])
            .arg("--write-bench")
            .arg(folder.path().join("bench.toml"))
            .arg("--write-nameplate")
            .arg(folder.path().join("nameplate.toml"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        assert!(lines.any(|line| line.unwrap().starts_with("ready")), "the virtual bench did not start");
        Served { child, folder }
    }

    pub fn bench(&self) -> PathBuf {
        self.folder.path().join("bench.toml")
    }

    pub fn nameplate(&self) -> PathBuf {
        self.folder.path().join("nameplate.toml")
    }

    /// `wattproof run` against it.
    pub fn run(&self, script: &Path) -> Command {
        let mut command = Command::new(wattproof());
        command.arg("run").arg(script).arg("--bench").arg(self.bench()).arg("--nameplate");
        command.arg(self.nameplate()).arg("--out").arg(self.folder.path().join("results"));
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// A script of this text in its folder.
    pub fn script(&self, text: &str) -> PathBuf {
        let path = self.folder.path().join("script.rhai");
        std::fs::write(&path, text).unwrap();
        path
    }

    /// The only run folder.
    pub fn run_folder(&self) -> PathBuf {
        only_folder(&self.folder.path().join("results"))
    }

    /// The path of a role's port.
    pub fn port(&self, role: &str) -> PathBuf {
        let text = std::fs::read_to_string(self.bench()).unwrap();
        let section = text.split(&format!("[{role}.link]")).nth(1).expect("a link table for each role");
        let value = section.split("serial = \"").nth(1).unwrap().split('"').next().unwrap();
        value.into()
    }

    /// One question on a role's port, by plain file reads and writes.
    pub fn ask(&self, role: &str, question: &str) -> String {
        use std::io::{Read, Write};
        let mut port = std::fs::File::options().read(true).write(true).open(self.port(role)).unwrap();
        port.write_all(format!("\n{question}\n").as_bytes()).unwrap();
        let mut answer = String::new();
        let mut byte = [0u8];
        while port.read(&mut byte).unwrap() == 1 && byte[0] != b'\n' {
            answer.push(byte[0] as char);
        }
        answer
    }
}

impl Served {
    /// The process that serves the bench.
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// Ends the bench, as if it had lost its mains.
    pub fn end(&mut self) {
        drop(self.child.stdin.take());
        let _ = self.child.wait();
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.end();
    }
}

/// The only folder in a folder.
pub fn only_folder(path: &Path) -> PathBuf {
    let mut folders: Vec<_> = std::fs::read_dir(path).unwrap().map(|entry| entry.unwrap().path()).collect();
    assert_eq!(folders.len(), 1, "one run in {}", path.display());
    folders.remove(0)
}

/// Standard error as text.
pub fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// Rows of a CSV file as maps of text.
pub fn rows(path: &Path) -> Vec<std::collections::HashMap<String, String>> {
    csv::Reader::from_path(path).unwrap().deserialize().map(|row| row.unwrap()).collect()
}

/// A number of a row.
pub fn number(row: &std::collections::HashMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column} = {:?} is no number", row[column]))
}
