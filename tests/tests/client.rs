//! The command line as the daemon's client, against a virtual bench of its own each: runs through the daemon, stop,
//! Ctrl-C, a killed daemon, the queue, exit codes, and what is printed.
//!
//! Exit codes are the project's own definition (README.md), but for 130: 128 + SIGINT, as POSIX shells have it (from
//! memory). The virtual bench's own answers say what its outputs are.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use bench::daemon::{Daemon, asks, job, json, outputs, signal, until};
use bench::{FIRST_RATING, Served, number, root, rows, said, wattproof};
use serde_json::Value;
use wattproof_tests::figure::keeps;

/// What a pipe is given: no escape code, and no line of a table beyond 80 columns.
fn is_plain(output: &Output) {
    for stream in [&output.stdout, &output.stderr] {
        assert!(!stream.contains(&0x1b), "an escape code in {}", String::from_utf8_lossy(stream));
    }
    let out = String::from_utf8_lossy(&output.stdout);
    for line in out.lines().filter(|line| !line.contains('/')) {
        assert!(line.chars().count() <= 80, "{} columns: {line:?}", line.chars().count());
    }
}

fn rated_power() -> std::path::PathBuf {
    root().join("scripts/rated_power.rhai")
}

#[test]
fn the_daemon_and_this_process_measure_the_same() {
    let figures = [true, false].map(|through_daemon| {
        let served = Served::start("honest");
        let _daemon = through_daemon.then(|| Daemon::start(&served));
        let mut run = served.run(&served.script(FIRST_RATING));
        if !through_daemon {
            run.arg("--here");
        }
        let output = run.output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        is_plain(&output);
        let printed = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(printed.contains("meets") && printed.contains("ratings.csv"), "{printed}");
        assert_eq!(said(&output).contains("job 1 begins"), through_daemon, "{}", said(&output));
        let row = rows(&served.run_folder().join("ratings.csv")).remove(0);
        (number(&row, "measured_w"), number(&row, "expanded_u_w"), row["verdict"].clone())
    });
    // Noise is seeded, but when a capture begins is not: equal within U.
    let [(daemon_w, u_w, daemon), (here_w, _, here)] = figures;
    assert!((daemon_w - here_w).abs() <= u_w, "{daemon_w} and {here_w} W, U {u_w} W");
    assert_eq!(daemon, here);
}

#[test]
fn stop_ends_the_run_off_within_a_second() {
    let served = Served::start("honest");
    // A daemon that is slow to answer would be passed by: then no other test's run may be meant.
    let name = served.name();
    let _daemon = Daemon::start(&served);
    let left = served.run(&rated_power()).arg("--leave").output().unwrap();
    assert_eq!(left.status.code(), Some(0), "{}", said(&left));
    assert!(String::from_utf8_lossy(&left.stdout).contains("job 1"));
    until("a step", || job(&served, 1)["steps"].as_u64() >= Some(1));
    // Another process may not take the bench meanwhile.
    let refused = served.run(&rated_power()).arg("--here").output().unwrap();
    assert_eq!(refused.status.code(), Some(1));
    assert!(said(&refused).contains("job 1 of the daemon"), "{}", said(&refused));
    let began = Instant::now();
    let stopped = asks(&served, &["stop", "--bench", &name]);
    let took = began.elapsed();
    assert_eq!(stopped.status.code(), Some(0), "{}", said(&stopped));
    assert!(String::from_utf8_lossy(&stopped.stdout).contains("off, confirmed"));
    assert_eq!(outputs(&served), ["0", "0", "0"]);
    println!("stop came back after {took:?}");
    assert!(keeps(took, Duration::from_secs(1)), "{took:?}");
    until("the end of the run", || job(&served, 1)["state"] == "ended");
    assert_eq!(job(&served, 1)["outcome"], "stopped");
    // Nothing runs: it is off still, and a bench that is not there is named.
    assert_eq!(asks(&served, &["stop", "--bench", &name]).status.code(), Some(0));
    let nowhere = asks(&served, &["stop", "--bench", "another"]);
    assert!(nowhere.status.code() == Some(1) && said(&nowhere).contains("no bench"), "{}", said(&nowhere));
}

#[test]
fn the_first_ctrl_c_stops_and_sees_the_end() {
    let served = Served::start("honest");
    let _daemon = Daemon::start(&served);
    let run = served.run(&rated_power()).spawn().unwrap();
    until("a step", || job(&served, 1)["steps"].as_u64() >= Some(1));
    signal(&run, "INT");
    let output = run.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", said(&output));
    assert!(said(&output).contains("every output was switched off"), "{}", said(&output));
    assert_eq!(outputs(&served), ["0", "0", "0"]);
    assert_eq!(job(&served, 1)["outcome"], "stopped");
    // Of a job that has not begun only the job goes.
    let run = served.run(&rated_power()).arg("--hold").spawn().unwrap();
    until("the job", || job_count(&served) == 2);
    // It listens to signals a moment after it has submitted.
    std::thread::sleep(Duration::from_millis(300));
    signal(&run, "INT");
    let output = run.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", said(&output));
    assert_eq!(job(&served, 2)["state"], "cancelled");
}

fn job_count(served: &Served) -> usize {
    json(&asks(served, &["queue", "--all", "--json"])).as_array().unwrap().len()
}

/// A lost daemon is a fault that nobody may take for an end: exit code 3, and everything off by what is left.
#[test]
fn a_killed_daemon_is_an_alarm_and_leaves_everything_off() {
    let served = Served::start("honest");
    let daemon = Daemon::start(&served);
    let run = served.run(&rated_power()).spawn().unwrap();
    until("a step", || job(&served, 1)["steps"].as_u64() >= Some(1));
    daemon.signal("KILL");
    let output = run.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(3), "{}", said(&output));
    for words in ["NOBODY KNOWS HOW THE BENCH STANDS", "guardian", "Go and look"] {
        assert!(said(&output).contains(words), "no {words:?} in {}", said(&output));
    }
    until("everything off", || outputs(&served) == ["0", "0", "0"]);
    // The run itself has seen it and closed its record.
    let folder = served.run_folder();
    until("the end of the record", || {
        std::fs::read_to_string(folder.join("journal.jsonl")).unwrap().contains("\"kind\":\"closed\"")
    });
}

#[test]
fn the_queue_is_ordered_held_and_cancelled() {
    let served = Served::start("honest");
    let _daemon = Daemon::start(&served);
    for _ in 0..3 {
        let left = served.run(&served.script(FIRST_RATING)).args(["--hold", "--leave"]).output().unwrap();
        assert_eq!(left.status.code(), Some(0), "{}", said(&left));
    }
    let order = || -> Vec<u64> {
        let jobs = json(&asks(&served, &["queue", "--json"]));
        jobs.as_array().unwrap().iter().map(|job| job["job"].as_u64().unwrap()).collect()
    };
    assert_eq!(json(&asks(&served, &["queue", "move", "3", "--before", "1", "--json"]))["position"], 1);
    assert_eq!(order(), [3, 1, 2]);
    assert_eq!(asks(&served, &["queue", "move", "3", "--to-end"]).status.code(), Some(0));
    assert_eq!(order(), [1, 2, 3]);
    let held = json(&asks(&served, &["queue", "hold", "1", "--until", "2999-01-02T03:04:05Z", "--json"]));
    assert_eq!(held["hold"]["until_utc"], "2999-01-02T03:04:05Z");
    assert_eq!(json(&asks(&served, &["queue", "hold", "2", "--json"]))["hold"]["by_person"], true);
    assert_eq!(asks(&served, &["queue", "cancel", "2"]).status.code(), Some(0));
    let over = asks(&served, &["queue", "cancel", "2"]);
    assert!(over.status.code() == Some(1) && said(&over).contains("job 2 is over"), "{}", said(&over));
    assert_eq!(order(), [1, 3]);
    assert_eq!(asks(&served, &["queue", "release", "3"]).status.code(), Some(0));
    until("the run of job 3", || job(&served, 3)["state"] == "running");
    // Cool it is already: what keeps it is the run before it alone.
    let cool = json(&asks(&served, &["queue", "hold", "1", "--cool-to", "40", "--json"]));
    assert_eq!(cool["hold"]["heatsink_c_max"], 40.0);
    assert_eq!(json(&asks(&served, &["queue", "cancel", "1", "--json"]))["state"], "cancelled");
    for words in [&["queue", "--all"][..], &["queue"], &["status"], &["runs"]] {
        let printed = asks(&served, words);
        assert_eq!(printed.status.code(), Some(0), "{words:?}: {}", said(&printed));
        is_plain(&printed);
    }
    let status = json(&asks(&served, &["status", "--json"]));
    assert_eq!((&status["benches"][0]["job"], &status["may_change"]), (&Value::from(3), &Value::from(true)));
    until("the end of job 3", || job(&served, 3)["outcome"] == "meets");
    let runs = json(&asks(&served, &["runs", "--json"]));
    let run = runs["runs"][0]["run"].as_str().unwrap().to_string();
    assert_eq!(runs["runs"][0]["ratings"][0]["verdict"], "meets");
    is_plain(&asks(&served, &["show", &run]));
    assert_eq!(json(&asks(&served, &["show", &run, "--json"]))["outcome"], "finished");
}

/// Exit codes of a script by both ways of running, which end alike: in this process, and through a daemon.
fn codes(served: &Served, script: &str, further: &[&str]) -> (Option<i32>, Option<i32>) {
    let script = served.script(script);
    let here = served.run(&script).arg("--here").args(further).output().unwrap();
    let daemon = Daemon::start(served);
    let through = served.run(&script).args(further).output().unwrap();
    drop(daemon);
    assert!(said(&through).contains("s] job "), "{}", said(&through));
    assert_eq!(outputs(served), ["0", "0", "0"]);
    (here.status.code(), through.status.code())
}

/// The self-check has tests of its own.
const AT_ONCE: [&str; 1] = ["--without-selfcheck"];

#[test]
fn a_short_rating_is_exit_code_10() {
    let served = Served::start("short");
    assert_eq!(codes(&served, FIRST_RATING, &AT_ONCE), (Some(10), Some(10)));
}

#[test]
fn an_undecided_rating_is_exit_code_11() {
    let served = Served::start("honest");
    // What the amplifier gives, claimed: 115.6 W, with U of 0.4 W (the amplifier model's own truth).
    let plate = std::fs::read_to_string(served.nameplate()).unwrap();
    let claimed = plate.replacen("watts = 100.0", "watts = 115.6", 1);
    assert_ne!(plate, claimed);
    std::fs::write(served.nameplate(), claimed).unwrap();
    assert_eq!(codes(&served, FIRST_RATING, &AT_ONCE), (Some(11), Some(11)));
}

#[test]
fn a_failure_is_exit_code_1_and_a_wrong_bench_4() {
    let served = Served::start("honest");
    assert_eq!(codes(&served, "throw \"no\";", &AT_ONCE), (Some(1), Some(1)));
    drop(served);
    let load = "[[fault]]\nport = \"load\"\nwhat.wrong_load = { output = 1, ohm = 8.0 }\nfor_s = 600.0\n";
    let served = Served::start_with_faults("honest", |_| Some(load.into()));
    assert_eq!(codes(&served, FIRST_RATING, &[]), (Some(4), Some(4)));
}

/// A daemon that hangs keeps nobody from a stop: the run itself is told.
#[test]
fn stop_passes_by_a_daemon_that_hangs() {
    let served = Served::start("honest");
    let name = served.name();
    let daemon = Daemon::start(&served);
    let left = served.run(&rated_power()).arg("--leave").output().unwrap();
    assert_eq!(left.status.code(), Some(0), "{}", said(&left));
    until("a step", || job(&served, 1)["steps"].as_u64() >= Some(1));
    daemon.signal("STOP");
    let began = Instant::now();
    let stopped = asks(&served, &["stop", "--bench", &name]);
    let took = began.elapsed();
    daemon.signal("CONT");
    assert_eq!(stopped.status.code(), Some(0), "{}", said(&stopped));
    assert!(said(&stopped).contains("did not answer within 1 s"), "{}", said(&stopped));
    assert_eq!(outputs(&served), ["0", "0", "0"]);
    println!("stop came back after {took:?}");
    // A second of patience, then what a stop takes.
    assert!(keeps(took, Duration::from_secs(3)), "{took:?}");
    until("the end of the run", || job(&served, 1)["outcome"] == "stopped");
}

/// Where no daemon answers, the run itself is told.
#[test]
fn stop_without_a_daemon_signals_the_run_that_holds_the_bench() {
    let served = Served::start("honest");
    let name = served.name();
    let none = asks(&served, &["stop", "--bench", &name]);
    // Where another test's run holds a bench, a name that nobody knows may be a slip.
    let words = String::from_utf8_lossy(&none.stdout).into_owned();
    assert!(
        words.contains("says nothing about what an instrument does by itself")
            || (none.status.code() == Some(1) && said(&none).contains("NOTHING WAS STOPPED")),
        "{words}{}",
        said(&none)
    );
    let run = served.run(&rated_power()).spawn().unwrap();
    let journal = || {
        let entries = std::fs::read_dir(served.folder.path().join("results")).ok()?;
        std::fs::read_to_string(entries.flatten().next()?.path().join("journal.jsonl")).ok()
    };
    until("a step", || journal().is_some_and(|text| text.contains("\"kind\":\"step\"")));
    let stopped = asks(&served, &["stop", "--bench", &name]);
    assert_eq!(stopped.status.code(), Some(0), "{}", said(&stopped));
    let words = String::from_utf8_lossy(&stopped.stdout).into_owned();
    assert!(words.contains(&format!("process {}", run.id())) && words.contains("sent SIGTERM"), "{words}");
    let output = run.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", said(&output));
    assert_eq!(outputs(&served), ["0", "0", "0"]);
    for words in [&["status"][..], &["queue"]] {
        let refused = asks(&served, words);
        assert!(
            refused.status.code() == Some(1) && said(&refused).contains("no daemon answers"),
            "{words:?}"
        );
    }
    // Nobody could hold or keep it.
    let refused = served.run(&rated_power()).arg("--leave").output().unwrap();
    assert!(
        refused.status.code() == Some(1) && said(&refused).contains("need a daemon"),
        "{}",
        said(&refused)
    );
}

#[test]
fn a_served_demo_begins_its_run_and_ends_at_ctrl_c() {
    let out = tempfile::tempdir().unwrap();
    let mut demo = Command::new(wattproof())
        .args(["demo", "--serve", "--listen", "127.0.0.1:0", "--out"])
        .arg(out.path())
        .current_dir(out.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(demo.stdout.take().unwrap()).lines();
    assert!(lines.any(|line| line.unwrap().starts_with("The page: http://127.0.0.1:")));
    until("its first run", || std::fs::read_dir(out.path()).unwrap().count() == 1);
    signal(&demo, "INT");
    assert_eq!(demo.wait().unwrap().code(), Some(0));
    let run = bench::only_folder(out.path());
    assert!(std::fs::read_to_string(run.join("journal.jsonl")).unwrap().contains("\"kind\":\"closed\""));
}

/// The shell and the formatter of manual pages judge what is made for them.
#[test]
fn completion_and_manual_pages_are_what_their_readers_take() {
    let folder = tempfile::tempdir().unwrap();
    let script = Command::new(wattproof()).args(["completion", "bash"]).output().unwrap();
    assert!(script.status.success() && !script.stdout.is_empty());
    let path = folder.path().join("wattproof.bash");
    std::fs::write(&path, &script.stdout).unwrap();
    let judged = Command::new("bash").arg("-n").arg(&path).output().unwrap();
    assert!(judged.status.success() && judged.stderr.is_empty(), "{}", said(&judged));
    let written = Command::new(wattproof()).arg("man").arg("--out").arg(folder.path()).output().unwrap();
    assert!(written.status.success(), "{}", said(&written));
    let pages: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|page| page.unwrap().path()).collect();
    for command in ["wattproof.1", "wattproof-run.1", "wattproof-stop.1", "wattproof-queue-move.1"] {
        assert!(folder.path().join(command).is_file(), "no {command} in {pages:?}");
    }
    assert!(!folder.path().join("wattproof-guardian.1").exists(), "a hidden word has no page");
    // groff is not on every machine.
    if Command::new("groff").arg("--version").output().is_err() {
        return;
    }
    for page in pages.iter().filter(|page| page.extension().is_some_and(|end| end == "1")) {
        let formatted = format_page(page);
        assert!(formatted.status.success() && formatted.stderr.is_empty(), "{page:?}: {}", said(&formatted));
        assert!(formatted.stdout.len() > 200, "{page:?} is empty");
    }
}

fn format_page(page: &Path) -> Output {
    Command::new("groff").args(["-K", "utf8", "-man", "-Tutf8", "-ww"]).arg(page).output().unwrap()
}
