//! Faults of links, instruments and amplifier on real pseudo-terminals, against `wattproof run` as a user starts it.
//! Each ends with one clear error that names instrument and port, with outputs off (asked afterwards) or an ALARM, with
//! a whole record, and without a wrong value in it. The numbers are those of the project's catalogue of faults; what
//! must come of each is common practice of unattended benches, no source.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

#[path = "../bench/mod.rs"]
mod bench;

mod amplifier;
mod at_random;
mod foreign;
mod host;
mod instrument;
mod link;
mod network;
mod other_user;
mod processes;

use std::io::{Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::time::{Duration, Instant};

use bench::{Served, rows, said};
use wattproof_runs::{MachineDisk, read_journal};

/// Eight steps at slowly rising level, so that every port is spoken to again and again.
const SCRIPT: &str = "load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 30.0, on: true });
source(#{ hz: 1000.0, level_vrms: 0.1, on: true });
for n in 0..8 {
    source(#{ level_vrms: 0.1 + 0.001 * n });
    settle();
    capture(\"faulty\");
}
";
/// No fault may hold a run up for longer. Eight healthy steps take three seconds on a quiet machine.
const PATIENCE: Duration = Duration::from_secs(60);

/// One fault of a fault file.
fn fault(port: &str, what: &str, rest: &str) -> String {
    format!("[[fault]]\nport = \"{port}\"\nwhat{what}\n{rest}\n")
}

/// A run that has ended.
struct Ended {
    served: Served,
    code: i32,
    said: String,
}

/// Runs the script against a bench with these faults and checks what holds for every ending.
fn run(faults: &str) -> Ended {
    let served = Served::start_with_faults("honest", |_| Some(faults.to_owned()));
    run_on(served)
}

fn run_on(served: Served) -> Ended {
    let began = Instant::now();
    // Faults are ordered by the script's messages: a check of the bench would come before them.
    let output = served.run(&served.script(SCRIPT)).arg("--without-selfcheck").output().unwrap();
    let took = began.elapsed();
    let ended = Ended { code: output.status.code().unwrap_or(-1), said: said(&output), served };
    assert!(took < PATIENCE, "{took:?}: {}", ended.said);
    assert!(!ended.said.contains("panicked"), "{}", ended.said);
    assert_record_is_whole_and_true(&ended.served, &ended.said);
    ended
}

/// The journal is readable to its end; each value that stands there as valid is what the amplifier does.
fn assert_record_is_whole_and_true(served: &Served, said: &str) {
    if !served.folder.path().join("results").exists() {
        return;
    }
    let folder = served.run_folder();
    let read = read_journal(&MachineDisk, &folder.join("journal.jsonl")).unwrap();
    assert_eq!((read.torn.len(), read.broken_line), (0, None), "{said}");
    assert_eq!(read.lines.last().unwrap().kind, "closed", "{said}");
    if folder.join("steps.csv").exists() {
        rows(&folder.join("steps.csv")).iter().for_each(assert_is_true);
    }
}

fn assert_is_true(row: &std::collections::HashMap<String, String>) {
    if let Ok(found_vrms) = row["fundamental_vrms"].parse::<f64>() {
        // Gain and output resistance of the amplifier, from its file: 30 dB, 0.04 ohm; a load may have come off.
        let vrms = bench::number(row, "level_vrms") * 10f64.powf(30.0 / 20.0);
        let (loaded, open) = (vrms * 4.0 / 4.04 * 0.99, vrms * 1.003);
        assert!((loaded..open).contains(&found_vrms), "{found_vrms} V, not {loaded} to {open} V: {row:?}");
    }
    if let Ok(heatsink_c) = row["heatsink_c"].parse::<f64>() {
        // Nothing on the bench is colder than its room, 25 °C; the limit trips at 95 °C.
        assert!((20.0..97.0).contains(&heatsink_c), "{heatsink_c} °C: {row:?}");
    }
}

impl Ended {
    /// The run failed, for this reason, and everything is off.
    fn refused(&self, words: &[&str]) {
        assert_eq!(self.code, 1, "{}", self.said);
        self.names(words);
        self.is_off();
    }

    /// An output could not be confirmed off, and it is said loudly.
    fn alarms(&self, words: &[&str]) {
        assert_eq!(self.code, 3, "{}", self.said);
        self.names(&["ALARM", "at its mains"]);
        self.names(words);
    }

    /// The run was not held up.
    fn survived(&self) {
        assert_eq!(self.code, 0, "{}", self.said);
        assert_eq!(self.steps().len(), 16, "two channels, eight steps");
        self.is_off();
    }

    fn names(&self, words: &[&str]) {
        for word in words {
            assert!(self.said.contains(word), "no {word:?} in: {}", self.said);
        }
    }

    /// Instrument and port as an error names them.
    fn place(&self, role: &str) -> String {
        format!("{role} on {}", self.served.port(role).display())
    }

    /// Asked afterwards, both instruments say that they are off.
    fn is_off(&self) {
        for (role, question) in [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")] {
            let said = ask(&self.served.port(role), question);
            assert_eq!(said.as_deref(), Some("0"), "{role} {question} after: {}", self.said);
        }
    }

    fn steps(&self) -> Vec<std::collections::HashMap<String, String>> {
        rows(&self.served.run_folder().join("steps.csv"))
    }
}

/// One question on a port that may still hold answers of before, and may not answer at all.
fn ask(port: &Path, question: &str) -> Option<String> {
    // O_NONBLOCK of Linux.
    let mut port = std::fs::File::options().read(true).write(true).custom_flags(0o4000).open(port).unwrap();
    port.write_all(b"\n").unwrap();
    while next_byte(&mut port, Duration::from_millis(300)).is_some() {}
    port.write_all(format!("{question}\n").as_bytes()).unwrap();
    let mut answer = String::new();
    loop {
        match next_byte(&mut port, Duration::from_secs(10))? {
            b'\n' => return Some(answer),
            byte => answer.push(char::from(byte)),
        }
    }
}

fn next_byte(port: &mut std::fs::File, patience: Duration) -> Option<u8> {
    let until = Instant::now() + patience;
    let mut byte = [0u8];
    loop {
        match port.read(&mut byte) {
            Ok(1) => return Some(byte[0]),
            Err(error) if error.kind() != std::io::ErrorKind::WouldBlock => return None,
            _ if Instant::now() > until => return None,
            _ => std::thread::sleep(Duration::from_millis(2)),
        }
    }
}

#[test]
fn without_a_fault_the_script_ends_well() {
    run("").survived();
}

#[test]
fn a_fault_file_is_refused_with_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("f.toml");
    std::fs::write(&path, "invented = true\n[[fault]]\nport = \"suply\"\n").unwrap();
    let refused = |path: &Path| {
        let output = std::process::Command::new(bench::wattproof())
            .args(["virtual-bench", "--until-stdin-closes", "--faults"])
            .arg(path)
            .stdin(std::process::Stdio::null())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(1));
        said(&output)
    };
    let told = refused(&path);
    assert!(told.contains("f.toml:3:8: ") && told.contains("suply"), "{told}");
    let told = refused(&folder.path().join("none.toml"));
    assert!(told.contains("none.toml"), "{told}");
}
