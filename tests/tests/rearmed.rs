//! A script that knows of neither trip nor reset: both fall between two of its calls, and the bench is armed for somebody
//! else. Nothing it asks for then reaches the bench. The project's own rule (a reset never energises), no outside source.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use bench::Served;
use wattproof_bench::{Bench, BenchFile};
use wattproof_guard::{State, TripCause};
use wattproof_runs::{
    Event, MachineDisk, Nameplate, Outcome, RunOrder, Script, ScriptIn, Watcher, read_journal, run,
};

const SCRIPT: &str = "load(#{ ohm: 4.0 });
supply(#{ volts_v: 12.0, limit_a: 30.0, on: true });
print(\"between two calls\");
supply(#{ volts_v: 14.0, on: true });
source(#{ hz: 1000.0, level_vrms: 0.1, on: true });
";

/// Holds the script up where it prints, until it is told to go on.
struct Held {
    printed: Mutex<Sender<()>>,
    go_on: Mutex<Receiver<()>>,
}

impl Watcher for Held {
    fn tell(&self, event: &Event<'_>) {
        if matches!(event, Event::Printed(_)) {
            self.printed.lock().unwrap().send(()).unwrap();
            self.go_on.lock().unwrap().recv().unwrap();
        }
    }
}

/// Runs the script; between two of its calls the bench trips and is reset, and `then` comes.
fn between(then: impl FnOnce(&Bench)) {
    let served = Served::start("honest");
    let bench = Arc::new(Bench::open(BenchFile::read(&served.bench()).unwrap()).unwrap());
    let script = Script { path: served.script(SCRIPT), source: SCRIPT.into() };
    let nameplate = Nameplate::read(&served.nameplate()).unwrap();
    let order = RunOrder::new(script, ScriptIn::Here, nameplate, served.folder.path().join("results"));
    // The acts below are the script's alone.
    let order = RunOrder { selfcheck: false, ..order };
    let (printed, has_printed) = channel();
    let (go, go_on) = channel();
    let watcher = Arc::new(Held { printed: Mutex::new(printed), go_on: Mutex::new(go_on) });
    let at_run = Arc::clone(&bench);
    let running = std::thread::spawn(move || run(&at_run, &order, watcher).unwrap());
    has_printed.recv_timeout(Duration::from_secs(60)).unwrap();
    assert!(bench.make_safe(TripCause::Instrument { what: "an invented failure".into() }).is_safe());
    let standing = bench.standing().unwrap();
    assert!(bench.reset(standing.nonce).unwrap().is_safe());
    assert_eq!(bench.state(), State::Safe);
    then(&bench);
    let before = bench.state();
    go.send(()).unwrap();
    let summary = running.join().unwrap();
    assert_eq!(summary.outcome, Outcome::Failed, "{:?}", summary.error);
    let told = summary.error.unwrap().to_string();
    assert!(told.contains("was reset after this run had armed it"), "{before:?}: {told}");
    let read = read_journal(&MachineDisk, &summary.folder.file("journal.jsonl")).unwrap();
    let acts = read.lines.iter().filter(|line| line.kind == "act").map(|line| line.data.to_string());
    let acts: Vec<String> = acts.collect();
    assert!(!acts.iter().any(|act| act.contains("14") || act.contains("ource")), "{acts:?}");
}

#[test]
fn fault_56_a_reset_does_not_let_the_script_of_before_go_on() {
    between(|_| {});
}

#[test]
fn fault_56_a_bench_armed_for_another_run_is_not_driven_by_the_script_of_before() {
    between(|bench| {
        bench.arm().unwrap();
    });
}
