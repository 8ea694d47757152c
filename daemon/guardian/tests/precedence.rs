//! Going ahead: who does, and what happens to one that never waits again. Where the machine grants no real time there is
//! nothing to see, and the tests say so.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

use std::os::unix::process::ExitStatusExt;
use std::process::Command;
use std::time::{Duration, Instant};

use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use wattproof_guardian::{Precedence, RUNAWAY_MAX, go_ahead};

/// Priority and policy of the calling thread: fields 40 and 41 of its stat file (proc(5)); 1 is SCHED_FIFO.
fn schedule() -> (String, String) {
    let stat = std::fs::read_to_string("/proc/thread-self/stat").unwrap();
    let fields: Vec<&str> = stat.rsplit_once(") ").unwrap().1.split(' ').collect();
    (fields[37].into(), fields[38].into())
}

#[test]
fn only_the_thread_that_asks_goes_ahead_and_the_guardian_goes_first() {
    for precedence in [Precedence::Daemon, Precedence::Guardian] {
        let asked = std::thread::spawn(move || go_ahead(precedence).map(|()| schedule())).join().unwrap();
        match asked {
            Ok(found) => assert_eq!(found, (precedence.level().to_string(), "1".to_string())),
            Err(refused) => println!("not shown on this machine: {refused}"),
        }
    }
    assert_eq!(schedule().1, "0", "this thread stays ordinary");
    assert!(Precedence::Guardian.level() > Precedence::Daemon.level());
    // sched(7): interrupt threads run at 50.
    assert!(Precedence::Guardian.level() < 50);
}

/// getrlimit(2), RLIMIT_RTTIME: SIGXCPU, which ends the process, once a real-time thread has run for so long without
/// waiting. signal(7): 24 on this architecture.
#[test]
fn a_thread_that_runs_away_ends_its_process() {
    const WORD: &str = "WATTPROOF_TEST_RUNS_AWAY";
    const REFUSED: i32 = 77;
    let name = "a_thread_that_runs_away_ends_its_process";
    if std::env::var_os(WORD).is_some() {
        // A tighter bound than the usual one stays, so that this machine is held up for a moment only.
        let bound = Rlimit { current: Some(100_000), maximum: getrlimit(Resource::Rttime).maximum };
        setrlimit(Resource::Rttime, bound).unwrap();
        if go_ahead(Precedence::Daemon).is_err() {
            std::process::exit(REFUSED);
        }
        assert_eq!(getrlimit(Resource::Rttime).current, Some(100_000));
        let until = Instant::now() + RUNAWAY_MAX;
        while Instant::now() < until {
            std::hint::spin_loop();
        }
        return;
    }
    let ended = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", name])
        .env(WORD, "1")
        .output()
        .unwrap()
        .status;
    if ended.code() == Some(REFUSED) {
        println!("not shown on this machine: real time is refused");
        return;
    }
    assert_eq!(ended.signal(), Some(24), "{ended:?}");
}

#[test]
fn going_ahead_bounds_the_process_first() {
    if go_ahead_elsewhere() {
        let bound = getrlimit(Resource::Rttime).current.map(Duration::from_micros);
        assert!(bound.is_some_and(|bound| bound <= RUNAWAY_MAX), "{bound:?}");
    }
}

fn go_ahead_elsewhere() -> bool {
    std::thread::spawn(|| go_ahead(Precedence::Daemon).is_ok()).join().unwrap()
}
