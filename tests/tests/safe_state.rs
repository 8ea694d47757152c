//! The safe state on served instruments: OFF confirmed in time at 9600 baud, whatever hangs; trips that outlast a
//! restart; instruments that restart or are changed by hand. Expected behaviour of unattended benches: common
//! practice, no source; the power-on bit is IEEE 488.2, 11.5.1.1.2.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

use bench::{Served, interposed};
use wattproof_bench::{Bench, BenchError, BenchFile, Extras, LATCH_FILE};
use wattproof_guard::{Belief, Output, Refusal, State, TripCause};
use wattproof_tests::figure::keeps;

fn open(served: &Served) -> Bench {
    Bench::open(BenchFile::read(&served.bench()).unwrap()).unwrap()
}

fn open_latching(served: &Served, folder: &Path) -> Bench {
    let extras = Extras { state_folder: Some(folder.into()), ..Extras::default() };
    Bench::open_with_extras(BenchFile::read(&served.bench()).unwrap(), extras).unwrap()
}

fn energise(bench: &Bench) {
    bench.arm().unwrap();
    bench.set_supply(12.0).unwrap();
    bench.supply_on().unwrap();
    bench.set_level(0.1).unwrap();
    bench.source_on().unwrap();
}

/// How long until it holds.
fn until(what: &str, within: Duration, holds: impl Fn() -> bool) -> Duration {
    let from = Instant::now();
    while !holds() {
        assert!(from.elapsed() < within, "{what}: not within {within:?}");
        std::thread::sleep(Duration::from_millis(1));
    }
    from.elapsed()
}

fn off(bench: &Bench) -> impl Fn() -> bool {
    move || Output::SAFE_ORDER.iter().all(|output| bench.belief(*output) == Belief::Off)
}

#[test]
fn off_is_confirmed_in_time_at_9600_baud() {
    let served = Served::start_with("honest", &["--pace", "9600"]);
    let bench = open(&served);
    energise(&bench);
    // Nothing is under way on the two ports.
    std::thread::sleep(Duration::from_millis(300));
    bench.stopper().stop("a test");
    let took = until("everything off", Duration::from_secs(10), off(&bench));
    println!("OFF confirmed after {took:?} at 9600 baud");
    // 150 ms are the aim for an idle instrument; the freshness loop may have been asking something just then.
    assert!(keeps(took, Duration::from_secs(1)), "{took:?}");
}

/// Stops at moments spread over exchanges that never cease, on both ports.
#[test]
fn off_is_confirmed_in_time_at_9600_baud_with_questions_under_way() {
    let served = Served::start_with("honest", &["--pace", "9600"]);
    let mut times = [Vec::new(), Vec::new()];
    let rounds = std::env::var("ROUNDS").map_or(5, |text| text.parse().unwrap());
    for round in 0..rounds {
        // Opened anew: a reset would take a capture, which takes long at this rate.
        let bench = open(&served);
        energise(&bench);
        std::thread::scope(|scope| {
            // Each ends with the refusal that the stop brings.
            scope.spawn(|| while bench.set_frequency(1000.0).is_ok() {});
            scope.spawn(|| while bench.set_supply_limit(10.0).is_ok() {});
            std::thread::sleep(Duration::from_millis(200 + 37 * round));
            bench.stopper().stop("a test");
            let from = Instant::now();
            let mut off = [None, None];
            while off.iter().any(Option::is_none) {
                for (output, off) in Output::SAFE_ORDER.into_iter().zip(&mut off) {
                    if bench.belief(output) == Belief::Off {
                        off.get_or_insert_with(|| from.elapsed());
                    }
                }
                assert!(from.elapsed() < Duration::from_secs(5), "{:?}", bench.state());
                std::thread::sleep(Duration::from_micros(500));
            }
            times.iter_mut().zip(off).for_each(|(times, off)| times.extend(off));
        });
        until("the trip carried out", Duration::from_secs(3), || bench.state() == State::Tripped);
    }
    for (output, mut times) in Output::SAFE_ORDER.into_iter().zip(times) {
        times.sort();
        let (median, most) = (times[times.len() / 2], times[times.len() - 1]);
        println!(
            "{output} OFF confirmed at 9600 baud, questions under way, {rounds} stops: p50 {median:?}, max {most:?}"
        );
        // 150 ms are the aim; the most has an allowance for a machine busy with other tests.
        let kept = keeps(median, Duration::from_millis(150)) && keeps(most, Duration::from_secs(1));
        assert!(kept, "{output}: {times:?}");
    }
}

#[test]
fn a_source_that_hangs_delays_no_other_off_and_is_an_alarm() {
    let served = Served::start("honest");
    let hang = interposed(&served, "source");
    let bench = open(&served);
    energise(&bench);
    hang.now();
    bench.stopper().stop("a test");
    let took =
        until("the supply off", Duration::from_secs(5), || bench.belief(Output::Supply) == Belief::Off);
    println!("supply OFF confirmed after {took:?} with the source hanging");
    assert!(keeps(took, Duration::from_millis(500)), "{took:?}");
    assert_eq!(bench.belief(Output::Source), Belief::Unknown);
    until("the alarm", Duration::from_secs(30), || bench.state() == State::Alarm);
    let report = bench.make_safe(TripCause::Run { what: "the test is over".into() });
    assert!(report.supply_off && !report.source_off && !report.is_safe(), "{report:?}");
    assert!(report.warnings.iter().any(|warning| warning.contains("the source was not confirmed off")));
}

#[test]
fn what_is_not_confirmed_off_is_cut_upstream() {
    let served = Served::start("honest");
    let hang = interposed(&served, "supply");
    let cut = std::sync::Arc::new(std::sync::atomic::AtomicUsize::new(0));
    let counted = std::sync::Arc::clone(&cut);
    let cut_upstream: wattproof_bench::CutUpstream = Box::new(move || {
        counted.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
        Ok(())
    });
    let extras = Extras { cut_upstream: Some(cut_upstream), ..Extras::default() };
    let bench = Bench::open_with_extras(BenchFile::read(&served.bench()).unwrap(), extras).unwrap();
    energise(&bench);
    hang.now();
    let report = bench.make_safe(TripCause::Run { what: "a test".into() });
    assert!(report.source_off && !report.supply_off && !report.is_safe(), "{report:?}");
    assert!(cut.load(std::sync::atomic::Ordering::SeqCst) > 0);
    assert!(report.warnings.iter().any(|warning| warning.contains("cut upstream of the supply")));
}

#[test]
fn a_trip_outlasts_a_restart_until_a_person_resets_it() {
    let served = Served::start("honest");
    let state = tempfile::tempdir().unwrap();
    let latch = state.path().join(LATCH_FILE);
    // A stop and a script's own failure do not outlast it.
    for cause in [TripCause::Run { what: "line 3".into() }, TripCause::Stop { by: "a test".into() }] {
        let bench = open_latching(&served, state.path());
        energise(&bench);
        assert!(bench.make_safe(cause).is_safe());
        drop(bench);
        assert!(!latch.exists());
    }
    let bench = open_latching(&served, state.path());
    energise(&bench);
    let cause = TripCause::Instrument { what: "an invented failure".into() };
    assert!(bench.make_safe(cause.clone()).is_safe());
    let first = bench.standing().unwrap().nonce;
    drop(bench);
    assert!(latch.exists());

    let bench = open_latching(&served, state.path());
    assert_eq!(bench.state(), State::Tripped);
    let refused = bench.arm().unwrap_err();
    assert!(matches!(refused, BenchError::Latched { .. }));
    assert!(refused.to_string().contains("an invented failure") && refused.to_string().contains("reset"));
    let standing = bench.standing().unwrap();
    assert_eq!((standing.state, standing.cause), (State::Tripped, cause));
    assert!(standing.at_unix_s.is_some());
    for stale in [first, standing.nonce ^ 1] {
        assert!(matches!(bench.reset(stale), Err(BenchError::Refused(Refusal::Nonce))));
    }
    assert!(latch.exists());
    let report = bench.reset(standing.nonce).unwrap();
    assert!(report.is_safe() && report.state == State::Safe, "{report:?}");
    assert!(!latch.exists() && bench.standing().is_none());
    energise(&bench);
    assert!(bench.finish().is_safe());
    assert!(!latch.exists());
    // What trips after a reset in the same process is told by its own cause.
    energise(&bench);
    let next = TripCause::Instrument { what: "another invented failure".into() };
    assert!(bench.make_safe(next.clone()).is_safe());
    let standing = bench.standing().unwrap();
    assert_eq!((standing.cause, standing.at_unix_s), (next, None));
    let refused = bench.arm().unwrap_err();
    assert!(!matches!(refused, BenchError::Latched { .. }), "{refused}");
    assert!(refused.to_string().contains("another invented failure"), "{refused}");
}

#[test]
fn after_a_stop_and_a_reset_the_bench_can_be_used_again() {
    let served = Served::start("honest");
    let bench = open(&served);
    energise(&bench);
    bench.stopper().stop("a test");
    until("the trip carried out", Duration::from_secs(3), || bench.state() == State::Tripped);
    let standing = bench.standing().unwrap();
    assert_eq!(standing.cause, TripCause::Stop { by: "a test".into() });
    bench.reset(standing.nonce).unwrap();
    std::thread::sleep(Duration::from_millis(200));
    assert_eq!(bench.state(), State::Safe);
    energise(&bench);
    assert!(bench.finish().is_safe());
}

/// Types at an instrument's own port, as a hand at its front panel would.
fn by_hand(served: &Served, role: &str, message: &str) {
    let mut port = std::fs::File::options().write(true).open(served.port(role)).unwrap();
    port.write_all(format!("\n{message}\n").as_bytes()).unwrap();
}

#[test]
fn fault_24_a_setting_changed_by_hand_trips() {
    for (role, message, words) in [
        ("supply", "VOLT 9", "supply voltage was set to 12 V"),
        ("supply", "OUTP OFF", "supply was left on and is off"),
        ("source", "SOUR1:VOLT 0.05", "source level was set to 0.1 V"),
    ] {
        let served = Served::start("honest");
        let bench = open(&served);
        energise(&bench);
        by_hand(&served, role, message);
        until(message, Duration::from_secs(10), || bench.standing().is_some());
        let cause = bench.standing().unwrap().cause.to_string();
        assert!(cause.contains(words), "{message}: {cause}");
        until("safe", Duration::from_secs(3), || bench.state() == State::Tripped);
    }
}

#[test]
fn fault_23_a_watchdog_that_is_not_fed_switches_off_and_one_that_is_fed_does_not() {
    let served = Served::start("honest");
    by_hand(&served, "supply", "OUTP ON;:SYST:WATC:DEL 0.3");
    assert_eq!(served.ask("supply", "OUTP?"), "1");
    std::thread::sleep(Duration::from_millis(700));
    assert_eq!(served.ask("supply", "OUTP?"), "0");
    by_hand(&served, "source", "OUTP1 ON;:SYST:WATC:DEL 0.3");
    std::thread::sleep(Duration::from_millis(700));
    assert_eq!(served.ask("source", "OUTP1?"), "0");
    // A reset switches the watchdog itself off.
    by_hand(&served, "supply", "SYST:WATC:DEL 5;*RST");
    assert_eq!(served.ask("supply", "SYST:WATC:DEL?").parse(), Ok(0.0));
    // The bench feeds it for longer than its delay of twice the age of a reading, and nothing trips.
    let bench = open(&served);
    energise(&bench);
    std::thread::sleep(Duration::from_secs_f64(2.0 * bench.limits().reading_age_s_max + 2.0));
    assert_eq!((bench.state(), bench.standing()), (State::Running, None));
    assert!(bench.finish().is_safe());
    drop(bench);
    assert_eq!(served.ask("supply", "SYST:WATC:DEL?").parse(), Ok(0.0));
}

/// Fault 22: on some supplies clearing the protection restores the output as it was before (common practice, no source).
#[test]
fn fault_22_a_supply_that_switches_on_when_its_protection_is_cleared_is_switched_off_again() {
    let served = Served::start_with_faults("honest", |_| {
        Some(
            "[[fault]]\nport = \"supply\"\nwhat.front_panel.does = \"OUTP ON\"\nmessage = \"VOLT:PROT:CLE\"\ntimes = 1\n"
                .into(),
        )
    });
    let bench = open(&served);
    energise(&bench);
    assert!(bench.make_safe(TripCause::Instrument { what: "an invented failure".into() }).is_safe());
    let report = bench.reset(bench.standing().unwrap().nonce).unwrap();
    let told = report.warnings.join("; ");
    assert!(told.contains("clearing the protection") && told.contains("switched off again"), "{told}");
    assert!(report.is_safe() && report.supply_a.is_some(), "{report:?}");
    assert_eq!((bench.state(), bench.belief(Output::Supply)), (State::Safe, Belief::Off));
    assert_eq!(served.ask("supply", "OUTP?"), "0");
}

/// What the protection cut, a reset makes usable again.
#[test]
fn fault_22_a_tripped_protection_is_cleared_by_a_reset_and_by_nothing_else() {
    let served = Served::start("honest");
    let bench = open(&served);
    energise(&bench);
    by_hand(&served, "supply", "VOLT:PROT 6");
    until("the trip", Duration::from_secs(10), || bench.standing().is_some());
    until("safe", Duration::from_secs(3), || bench.state() == State::Tripped);
    assert_eq!(served.ask("supply", "VOLT:PROT:TRIP?"), "1");
    let report = bench.reset(bench.standing().unwrap().nonce).unwrap();
    assert!(report.is_safe() && report.warnings.is_empty(), "{report:?}");
    assert_eq!(served.ask("supply", "VOLT:PROT:TRIP?"), "0");
    assert_eq!(served.ask("supply", "OUTP?"), "0");
}

/// A source that is missing at the start must not keep the supply on (project's own promise).
#[test]
fn a_missing_source_does_not_keep_the_supply_on() {
    let served = Served::start("honest");
    std::fs::write(served.port("supply"), "\nVOLT 12\nOUTP ON\n").unwrap();
    assert_eq!(served.ask("supply", "OUTP?"), "1");
    let text = std::fs::read_to_string(served.bench()).unwrap();
    // With its quotes: /dev/pts/1 also begins the name of /dev/pts/13.
    let source = format!("\"{}\"", served.port("source").display());
    std::fs::write(served.bench(), text.replace(&source, "\"/dev/no-such-port\"")).unwrap();
    let ended = served.run(&served.script("print(1);")).output().unwrap();
    assert!(!ended.status.success());
    assert!(bench::said(&ended).contains("/dev/no-such-port"), "{}", bench::said(&ended));
    assert_eq!(served.ask("supply", "OUTP?"), "0");
}
