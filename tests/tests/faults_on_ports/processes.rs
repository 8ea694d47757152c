//! The bench's own process stops or dies, and the daemon's is stopped, in the midst of a run.

use std::process::Command;
use std::time::{Duration, Instant};

use crate::bench::{Served, said};
use crate::{PATIENCE, SCRIPT, assert_record_is_whole_and_true};

pub fn wait_for_steps(served: &Served, steps: usize) {
    let until = Instant::now() + PATIENCE;
    loop {
        let results = std::fs::read_dir(served.folder.path().join("results"));
        let journal = results.ok().and_then(|mut entries| entries.next()).map(|entry| {
            std::fs::read_to_string(entry.unwrap().path().join("journal.jsonl")).unwrap_or_default()
        });
        if journal.is_some_and(|text| text.matches("\"kind\":\"step\"").count() >= steps) {
            return;
        }
        assert!(Instant::now() < until, "no {steps} steps within {PATIENCE:?}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

pub fn signal(process: u32, name: &str) {
    let sent = Command::new("kill").arg(format!("-{name}")).arg(process.to_string()).status().unwrap();
    assert!(sent.success());
}

#[test]
fn a_bench_that_stops_or_dies_is_an_alarm_in_bounded_time() {
    for (name, pause) in [("STOP", 0), ("KILL", 90), ("STOP", 170), ("KILL", 230)] {
        let served = Served::start("honest");
        let script = served.script(&SCRIPT.replace("0..8", "0..100"));
        let daemon = served.run(&script).spawn().unwrap();
        wait_for_steps(&served, 2);
        std::thread::sleep(Duration::from_millis(pause));
        signal(served.process(), name);
        let began = Instant::now();
        let output = daemon.wait_with_output().unwrap();
        let took = began.elapsed();
        if name == "STOP" {
            signal(served.process(), "CONT");
        }
        assert_eq!(output.status.code(), Some(3), "{name}: {}", said(&output));
        assert!(took < PATIENCE, "{name}: {took:?}");
        let told = said(&output);
        assert!(told.contains("/dev/pts/") && told.contains("switch it off by hand"), "{name}: {told}");
        assert_record_is_whole_and_true(&served, &said(&output));
    }
}

/// Longer than readings may age (3 s), shorter than the journal waits for the disk (5 s): what a stop of the process and
/// a dead disk have in common is not told apart there.
#[test]
fn a_daemon_that_was_stopped_for_a_while_ends_with_everything_off() {
    let served = Served::start("honest");
    let daemon = served.run(&served.script(&SCRIPT.replace("0..8", "0..20"))).spawn().unwrap();
    wait_for_steps(&served, 2);
    signal(daemon.id(), "STOP");
    std::thread::sleep(Duration::from_secs(4));
    signal(daemon.id(), "CONT");
    let output = daemon.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert_record_is_whole_and_true(&served, &said(&output));
    for (role, question) in [("source", "OUTP1?"), ("supply", "OUTP?")] {
        assert_eq!(crate::ask(&served.port(role), question).as_deref(), Some("0"), "{}", said(&output));
    }
}

#[test]
fn after_a_killed_daemon_the_next_start_switches_off() {
    let served = Served::start("honest");
    let mut daemon = served.run(&served.script(&SCRIPT.replace("0..8", "0..100"))).spawn().unwrap();
    wait_for_steps(&served, 2);
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    served.script("print(\"nothing\");");
    let mut next = Command::new(crate::bench::wattproof());
    next.arg("run").arg(served.folder.path().join("script.rhai")).arg("--bench").arg(served.bench());
    next.arg("--nameplate").arg(served.nameplate()).arg("--out").arg(served.folder.path().join("next"));
    next.env("WATTPROOF_STATE", served.state());
    let next = next.output().unwrap();
    assert!(next.status.success(), "{}", said(&next));
    for (role, question) in [("source", "OUTP1?"), ("supply", "OUTP?")] {
        assert_eq!(crate::ask(&served.port(role), question).as_deref(), Some("0"), "{}", said(&next));
    }
}
