//! A virtual bench in a process of its own, and the daemon run against it, as a user would.

#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test helper fails by panicking"
)]

pub mod daemon;
pub mod shop;

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

/// A script that judges the first rating that the bench can show, and switches off.
pub const FIRST_RATING: &str = "let rating = nameplate().ratings[0];
load(#{ ohm: rating.load_ohm });
supply(#{ volts_v: rating.supply_v, on: true });
source(#{ hz: rating.hz, driven: rating.driven });
settle();
record(rating, find_ceiling(rating));
source(#{ on: false });
supply(#{ on: false });
";

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
        Served::serve(amplifier, &[], |_| None)
    }

    /// With further arguments for the virtual bench.
    pub fn start_with(amplifier: &str, further: &[&str]) -> Served {
        Served::serve(amplifier, further, |_| None)
    }

    /// With the fault file that `faults` makes of the folder.
    pub fn start_with_faults(amplifier: &str, faults: impl FnOnce(&Path) -> Option<String>) -> Served {
        Served::serve(amplifier, &[], faults)
    }

    /// With further arguments and faults.
    pub fn start_with_faults_and(amplifier: &str, further: &[&str], faults: &str) -> Served {
        Served::serve(amplifier, further, |_| Some(faults.into()))
    }

    fn serve(amplifier: &str, further: &[&str], faults: impl FnOnce(&Path) -> Option<String>) -> Served {
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
            .args(further)
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

    /// What the bench is called: like no other on this machine, since its file is in a folder of its own.
    pub fn name(&self) -> String {
        let text = std::fs::read_to_string(self.bench()).unwrap();
        let name = text.split("name = \"").nth(1).unwrap().split('"').next().unwrap();
        name.into()
    }

    pub fn nameplate(&self) -> PathBuf {
        self.folder.path().join("nameplate.toml")
    }

    /// `wattproof run` against it.
    pub fn run(&self, script: &Path) -> Command {
        let mut command = Command::new(wattproof());
        command.arg("run").arg(script).arg("--bench").arg(self.bench()).arg("--nameplate");
        command.arg(self.nameplate()).arg("--out").arg(self.folder.path().join("results"));
        command.env("WATTPROOF_STATE", self.state());
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// `wattproof WORD RUN`, for a run on this bench.
    pub fn again(&self, word: &str, run: &Path) -> Command {
        let mut command = Command::new(wattproof());
        command.arg(word).arg(run).env("WATTPROOF_STATE", self.state());
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// Where trips of this bench are latched.
    pub fn state(&self) -> PathBuf {
        self.folder.path().join("state")
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

    /// One question on a role's port, by plain file reads and writes; asked again while nobody answers, as when
    /// somebody else's bytes came in between.
    pub fn ask(&self, role: &str, question: &str) -> String {
        let until = Instant::now() + Duration::from_secs(5);
        loop {
            if let Some(answer) = self.ask_once(role, question, Duration::from_millis(300)) {
                return answer;
            }
            assert!(Instant::now() < until, "the {role} does not answer {question}");
        }
    }

    fn ask_once(&self, role: &str, question: &str, within: Duration) -> Option<String> {
        use std::io::{Read, Write};
        use std::os::unix::fs::OpenOptionsExt;
        // O_NONBLOCK of Linux.
        let mut port = std::fs::File::options()
            .read(true)
            .write(true)
            .custom_flags(0o4000)
            .open(self.port(role))
            .unwrap();
        match port.write_all(format!("\n{question}\n").as_bytes()) {
            // Nobody has read what was written before, or not yet all of it.
            Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {
                std::thread::sleep(within);
                return None;
            }
            written => written.unwrap(),
        }
        let until = Instant::now() + within;
        let mut answer = Vec::new();
        let mut bytes = [0u8; 64];
        while !answer.ends_with(b"\n") {
            match port.read(&mut bytes) {
                Ok(count) => answer.extend(&bytes[..count]),
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {
                    if Instant::now() > until {
                        return None;
                    }
                    std::thread::sleep(Duration::from_millis(1));
                }
                Err(error) => panic!("{role}: {error}"),
            }
        }
        Some(String::from_utf8_lossy(&answer).trim_end().into())
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

/// A wire put between a role's port and the bench file, which can go dead.
pub struct Interposed(Child);

impl Interposed {
    /// Nothing passes from now on, in either direction.
    pub fn now(&self) {
        let pid = self.0.id().to_string();
        assert!(Command::new("kill").args(["-STOP", &pid]).status().unwrap().success());
        // The kernel may take a moment to stop it.
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
}

impl Drop for Interposed {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Puts a wire that can go dead in front of a role's port, and names it in the bench file.
pub fn interposed(served: &Served, role: &str) -> Interposed {
    const WIRE: &str = "import os,pty,select,sys,tty
f=os.open(sys.argv[1],os.O_RDWR|os.O_NOCTTY)
m,s=pty.openpty()
tty.setraw(s)
tty.setraw(f)
print(os.ttyname(s),flush=True)
while True:
    for r in select.select([f,m],[],[])[0]:
        os.write(m if r==f else f,os.read(r,65536))
";
    let port = served.port(role).display().to_string();
    let mut child = Command::new("python3").args(["-c", WIRE, &port]).stdout(Stdio::piped()).spawn().unwrap();
    let mut name = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut name).unwrap();
    let text = std::fs::read_to_string(served.bench()).unwrap();
    std::fs::write(served.bench(), text.replace(&format!("\"{port}\""), &format!("\"{}\"", name.trim())))
        .unwrap();
    Interposed(child)
}

/// A folder in a folder, beside which the catalogue may lie; none where there is none yet.
pub fn some_folder(path: &Path) -> Option<PathBuf> {
    let all = std::fs::read_dir(path).ok()?.flatten().map(|entry| entry.path());
    all.into_iter().find(|path| path.is_dir())
}

/// The only folder in a folder, beside which the catalogue may lie.
pub fn only_folder(path: &Path) -> PathBuf {
    let all = std::fs::read_dir(path).unwrap().map(|entry| entry.unwrap().path());
    let mut folders: Vec<_> = all.filter(|path| path.is_dir()).collect();
    assert_eq!(folders.len(), 1, "one run in {}", path.display());
    folders.remove(0)
}

/// Whether a run finished, whatever the verdicts on its ratings (exit codes: README.md).
pub fn finished(output: &Output) -> bool {
    matches!(output.status.code(), Some(0 | 10 | 11))
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
