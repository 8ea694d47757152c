//! Runs that are cut off, and what their journals give again: resumed, rebuilt, computed again.
//!
//! That nothing recorded is lost and that a resumed run comes to the same ratings within their uncertainty is the
//! project's own promise; the truth behind the ratings is the virtual amplifier's own model.

#![allow(clippy::unwrap_used, clippy::panic, reason = "test helpers fail by panicking")]

mod bench;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use bench::{Served, number, root, rows, said};
use wattproof_runs::{MachineDisk, read_journal};

fn rated_power() -> PathBuf {
    root().join("scripts/rated_power.rhai")
}

/// Steps that the journal holds now.
fn steps(folder: &Path) -> usize {
    let journal = read_journal(&MachineDisk, &folder.join("journal.jsonl"));
    journal.map_or(0, |read| read.lines.iter().filter(|line| line.kind == "step").count())
}

/// Starts the shipped script and kills the daemon once the journal holds so many steps.
fn killed_after(served: &Served, count: usize) -> PathBuf {
    let mut daemon = served.run(&rated_power()).spawn().unwrap();
    let results = served.folder.path().join("results");
    let until = Instant::now() + Duration::from_secs(60);
    let folder = loop {
        std::thread::sleep(Duration::from_millis(20));
        assert!(Instant::now() < until, "no {count} steps within a minute");
        let folder = std::fs::read_dir(&results).ok().and_then(|mut entries| entries.next());
        match folder.map(|folder| folder.unwrap().path()) {
            Some(folder) if steps(&folder) >= count => break folder,
            _ => {}
        }
    };
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    folder
}

/// Fault 38: after a kill the run goes on from its last step, and comes to what an undisturbed one comes to.
#[test]
fn fault_38_a_killed_run_goes_on_and_comes_to_the_same_ratings() {
    let served = Served::start("honest");
    let folder = killed_after(&served, 5);
    let before = std::fs::read(folder.join("journal.jsonl")).unwrap();
    let recorded = steps(&folder);
    let resumed = served.again("resume", &folder).output().unwrap();
    assert!(resumed.status.success(), "{}", said(&resumed));
    let after = std::fs::read(folder.join("journal.jsonl")).unwrap();
    let whole = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    assert_eq!(after[..whole], before[..whole], "nothing that was recorded has changed");
    assert!(steps(&folder) > recorded);
    // The same amplifier without a disturbance.
    let other = Served::start("honest");
    assert!(other.run(&rated_power()).status().unwrap().success());
    let (mine, undisturbed) =
        (rows(&folder.join("ratings.csv")), rows(&other.run_folder().join("ratings.csv")));
    assert_eq!((mine.len(), undisturbed.len()), (3, 3));
    for (a, b) in mine.iter().zip(&undisturbed) {
        let off_w = (number(a, "measured_w") - number(b, "measured_w")).abs();
        assert!(off_w <= number(a, "expanded_u_w"), "{off_w} W apart: {a:?}");
        assert_eq!(a["cause"], b["cause"]);
    }
    // Numbers of steps go on without a gap or a repetition.
    let numbers: Vec<f64> = rows(&folder.join("steps.csv")).iter().map(|row| number(row, "step")).collect();
    assert!(numbers.windows(2).all(|pair| pair[1] == pair[0] || pair[1] == pair[0] + 1.0), "{numbers:?}");
    let run: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("run.json")).unwrap()).unwrap();
    assert_eq!(run["outcome"], "finished");
    assert_eq!(run["resumed"].as_array().unwrap().len(), 1, "the gap is in the record");
    assert!(run["resumed"][0]["gap_s"].as_f64().unwrap() > 0.0);
    // Finished is finished.
    let once_more = served.again("resume", &folder).output().unwrap();
    assert!(!once_more.status.success());
    assert!(said(&once_more).contains("came to its end"), "{}", said(&once_more));
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(computed.status.success(), "{}", said(&computed));
}

/// A person's stop is no end either.
#[test]
fn a_stopped_run_goes_on() {
    let served = Served::start("honest");
    let mut daemon = served.run(&rated_power()).spawn().unwrap();
    let results = served.folder.path().join("results");
    let folder = loop {
        std::thread::sleep(Duration::from_millis(20));
        let folder = std::fs::read_dir(&results).ok().and_then(|mut entries| entries.next());
        match folder.map(|folder| folder.unwrap().path()) {
            Some(folder) if steps(&folder) >= 2 => break folder,
            _ => {}
        }
    };
    let interrupted = Command::new("kill").args(["-INT", &daemon.id().to_string()]).status().unwrap();
    assert!(interrupted.success());
    assert_eq!(daemon.wait().unwrap().code(), Some(130));
    assert_eq!(served.ask("source", "OUTP1?"), "0");
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(computed.status.success(), "{}", said(&computed));
    let resumed = served.again("resume", &folder).output().unwrap();
    assert!(resumed.status.success(), "{}", said(&resumed));
    assert_eq!(rows(&folder.join("ratings.csv")).len(), 3);
}

#[test]
fn tables_come_back_byte_for_byte_and_an_altered_capture_is_named() {
    let served = Served::start("honest");
    assert!(served.run(&rated_power()).status().unwrap().success());
    let folder = served.run_folder();
    let names = ["steps.csv", "ratings.csv", "curve.csv", "bursts.csv", "ratings.json", "run.json"];
    let before: Vec<Vec<u8>> = names.map(|name| std::fs::read(folder.join(name)).unwrap()).into();
    for name in names {
        std::fs::remove_file(folder.join(name)).unwrap();
    }
    let rebuilt = served.again("rebuild", &folder).output().unwrap();
    assert!(rebuilt.status.success(), "{}", said(&rebuilt));
    for (name, bytes) in names.iter().zip(&before) {
        assert_eq!(&std::fs::read(folder.join(name)).unwrap(), bytes, "{name}");
    }
    let capture = std::fs::read_dir(folder.join("captures")).unwrap().next().unwrap().unwrap().path();
    let mut bytes = std::fs::read(&capture).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&capture, bytes).unwrap();
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(!computed.status.success());
    assert!(said(&computed).contains(capture.file_name().unwrap().to_str().unwrap()), "{}", said(&computed));
}

/// A script that does something else than its journal says is refused, and the journal stays as it was.
#[test]
fn a_script_that_diverges_is_refused_with_the_first_differing_call() {
    let served = Served::start("honest");
    let script = served.script(
        "load(#{ ohm: 4.0 });\nsupply(#{ volts_v: 14.4, limit_a: 20.0, on: true });\nsettle();\nheatsink();\nthrow \"enough\";\n",
    );
    assert!(!served.run(&script).status().unwrap().success());
    let folder = served.run_folder();
    let before = std::fs::read(folder.join("journal.jsonl")).unwrap();
    let resume = |text: &str| {
        let script = served.script(text);
        served.again("resume", &folder).arg("--script").arg(script).output().unwrap()
    };
    let other = resume("load(#{ ohm: 8.0 });\n");
    assert!(!other.status.success());
    assert!(said(&other).contains("\"ohm\":4.0") && said(&other).contains("\"ohm\":8.0"), "{}", said(&other));
    assert_eq!(std::fs::read(folder.join("journal.jsonl")).unwrap(), before);
    // A mended one goes on.
    let mended = resume(
        "load(#{ ohm: 4.0 });\nsupply(#{ volts_v: 14.4, limit_a: 20.0, on: true });\nsettle();\nheatsink();\nrecord(\"mended\", 1);\n",
    );
    assert!(mended.status.success(), "{}", said(&mended));
}
