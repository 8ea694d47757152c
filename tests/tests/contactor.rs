//! The contactor on a whole bench: held while armed, let go at the end and when something does not obey. Expected
//! behaviour: the project's safety design; welded contacts found by feedback: common practice, no source.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use bench::{Served, root, said};
use wattproof_bench::{Bench, BenchFile, ContactorLine, Safeguards};
use wattproof_guard::{State, TripCause};
use wattproof_link::LinkError;

/// A line inside this process, and the contacts behind it.
#[derive(Clone, Default)]
struct Line {
    held: Arc<AtomicBool>,
    welded: Arc<AtomicBool>,
    torn: Arc<AtomicBool>,
}

impl ContactorLine for Line {
    fn hold(&mut self, held: bool) -> Result<(), LinkError> {
        self.held.store(held, Ordering::SeqCst);
        Ok(())
    }

    fn closed(&mut self) -> Result<Option<bool>, LinkError> {
        let held = self.held.load(Ordering::SeqCst) && !self.torn.load(Ordering::SeqCst);
        Ok(Some(held || self.welded.load(Ordering::SeqCst)))
    }

    fn label(&self) -> String {
        "the contactor of a test".into()
    }
}

fn opened(served: &Served, line: &Line) -> Bench {
    let safeguards = Safeguards { contactor: Some(Box::new(line.clone())), ..Safeguards::default() };
    Bench::open_guarded(BenchFile::read(&served.bench()).unwrap(), safeguards).unwrap()
}

fn wait_for(what: &str, done: impl Fn() -> bool) {
    for _ in 0..500 {
        if done() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("{what}: not within 5 s");
}

#[test]
fn it_is_held_from_arming_to_the_end() {
    let (served, line) = (Served::start("honest"), Line::default());
    let bench = opened(&served, &line);
    assert!(!line.held.load(Ordering::SeqCst), "open while nothing is armed");
    bench.arm().unwrap();
    assert!(line.held.load(Ordering::SeqCst));
    bench.set_supply(12.0).unwrap();
    bench.supply_on().unwrap();
    let report = bench.finish();
    assert!(report.is_safe(), "{report:?}");
    assert!(!line.held.load(Ordering::SeqCst), "open at the end");
    bench.arm().unwrap();
    assert!(line.held.load(Ordering::SeqCst), "and held again for the next");
    drop(bench);
    assert!(!line.held.load(Ordering::SeqCst), "open when the bench is closed");
}

#[test]
fn welded_contacts_refuse_arming_and_make_the_end_unsafe() {
    let (served, line) = (Served::start("honest"), Line::default());
    line.welded.store(true, Ordering::SeqCst);
    let bench = opened(&served, &line);
    let told = bench.arm().unwrap_err().to_string();
    assert!(told.contains("welded"), "{told}");
    assert_eq!(bench.state(), State::Safe);
    line.welded.store(false, Ordering::SeqCst);
    bench.arm().unwrap();
    line.welded.store(true, Ordering::SeqCst);
    let report = bench.finish();
    assert!(!report.is_safe(), "{report:?}");
    assert!(report.warnings.iter().any(|warning| warning.contains("did not open")), "{:?}", report.warnings);
}

#[test]
fn contacts_that_open_by_themselves_trip() {
    let (served, line) = (Served::start("honest"), Line::default());
    let bench = opened(&served, &line);
    bench.arm().unwrap();
    line.torn.store(true, Ordering::SeqCst);
    wait_for("the trip", || bench.state() == State::Tripped);
    let report = bench.make_safe(TripCause::Run { what: "the test is over".into() });
    assert!(report.is_safe(), "{report:?}");
}

#[test]
fn it_is_let_go_when_a_supply_does_not_answer() {
    let (mut served, line) = (Served::start("honest"), Line::default());
    let bench = opened(&served, &line);
    bench.arm().unwrap();
    assert!(line.held.load(Ordering::SeqCst));
    served.end();
    wait_for("the contactor to be let go", || {
        // Something must notice first: here, the next command.
        let _lost = bench.set_supply(12.0);
        !line.held.load(Ordering::SeqCst)
    });
    let report = bench.make_safe(TripCause::Run { what: "the test is over".into() });
    assert!(!report.is_safe(), "{report:?}");
}

/// A pseudo-terminal has no modem lines (tty_ioctl(4)).
#[test]
fn a_port_without_such_a_line_is_refused_in_words() {
    let served = Served::start("honest");
    let good = std::fs::read_to_string(served.bench()).unwrap();
    let script = root().join("scripts/rated_power.rhai");
    // Any pseudo-terminal that no instrument of this bench uses.
    let other = Served::start("honest");
    let spare = other.port("load").display().to_string();
    let own = served.port("source").display().to_string();
    for (port, words) in [
        (spare.as_str(), &["contactor", "RTS", "pseudo-terminal"][..]),
        ("/dev/ttyNOSUCH0", &["contactor", "/dev/ttyNOSUCH0", "no such port"]),
        (own.as_str(), &["bench.toml:", "also the link of the source"]),
    ] {
        std::fs::write(served.bench(), format!("{good}\n[contactor]\nport = \"{port}\"\nline = \"rts\"\n"))
            .unwrap();
        let output = served.run(&script).output().unwrap();
        let text = said(&output);
        assert_eq!(output.status.code(), Some(1), "{text}");
        words.iter().for_each(|word| assert!(text.contains(word), "no {word:?} in {text}"));
    }
    std::fs::write(served.bench(), good).unwrap();
}
