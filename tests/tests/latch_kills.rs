//! A trip, and the daemon killed within the next milliseconds: whoever could have learnt of the trip finds it latched at
//! the next start. The heatsink's temperature is told as 500 °C on the wire, once, in the midst of a run; the kill follows
//! at a random moment, or, every other time, as soon as the record tells of the trip. `ROUNDS=500 SEED=3 cargo test -p wattproof-tests --test latch_kills -- --nocapture` for as many.
//!
//! The project's own promise (a restart keeps a latch), no outside source.

#![allow(clippy::unwrap_used, clippy::panic, reason = "test helpers fail by panicking")]

mod bench;

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bench::{Served, said};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use wattproof_bench::read_latch;

/// Longest time from the breach on the wire to the kill.
const WITHIN: Duration = Duration::from_millis(60);
/// What a person, a record or a script is told of this trip.
const TOLD: &str = "limit heatsink_c_max: met 500";
const SCRIPT: &str = "load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 30.0, on: true });
source(#{ hz: 1000.0, level_vrms: 0.1, on: true });
settle();
capture(\"one\");
for n in 0..20000 { heatsink(); }
";

fn setting(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().map_or(usual, |text| text.parse().unwrap())
}

/// A number from 0 to 1 that depends on the round alone (SplitMix64; Steele, Lea and Flood, 2014).
fn draw(seed: u64, round: u64) -> f64 {
    let mut z = seed.wrapping_mul(31).wrapping_add(round).wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

fn raw(port: &impl std::os::fd::AsFd) {
    let mut modes = tcgetattr(port).unwrap();
    modes.make_raw();
    tcsetattr(port, OptionalActions::Now, &modes).unwrap();
}

/// Whom to kill, how long after the breach; not at all when the record is waited for.
type Kill = (u32, Option<Duration>);

/// A wire in front of the thermometer, on which a reading is told wrong once.
struct Relay {
    name: PathBuf,
    /// Kept open, so that the wire does not hang up with the daemon.
    _slave: File,
    order: Arc<Mutex<Option<Kill>>>,
    over: Arc<Mutex<bool>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Relay {
    fn before(port: &Path) -> Relay {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = PathBuf::from(ptsname(&master, Vec::new()).unwrap().into_string().unwrap());
        let slave = File::options().read(true).write(true).open(&name).unwrap();
        let port = File::options().read(true).write(true).open(port).unwrap();
        raw(&slave);
        raw(&port);
        let (order, over) = (Arc::new(Mutex::new(None)), Arc::new(Mutex::new(false)));
        let (ordered, ends) = (Arc::clone(&order), Arc::clone(&over));
        let thread = std::thread::spawn(move || carry(master, port, &ordered, &ends));
        Relay { name, _slave: slave, order, over, thread: Some(thread) }
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        *self.over.lock().unwrap() = true;
        self.thread.take().unwrap().join().unwrap();
    }
}

fn carry(master: OwnedFd, mut port: File, order: &Mutex<Option<Kill>>, over: &Mutex<bool>) {
    let mut master = File::from(master);
    let mut asked_for_heat = false;
    let mut bytes = [0u8; 4096];
    let patience = Timespec { tv_sec: 0, tv_nsec: 20_000_000 };
    while !*over.lock().unwrap() {
        let mut fds = [PollFd::new(&master, PollFlags::IN), PollFd::new(&port, PollFlags::IN)];
        poll(&mut fds, Some(&patience)).unwrap();
        let ready: Vec<bool> = fds.iter().map(|fd| fd.revents().contains(PollFlags::IN)).collect();
        if ready[0] {
            let count = master.read(&mut bytes).unwrap();
            asked_for_heat = String::from_utf8_lossy(&bytes[..count]).contains("TEMP?");
            port.write_all(&bytes[..count]).unwrap();
        }
        if ready[1] {
            // The bench has ended.
            let Ok(count) = port.read(&mut bytes) else { return };
            let kill = order.lock().unwrap().take_if(|_| asked_for_heat && bytes[..count].ends_with(b"\n"));
            let Some((process, after)) = kill else {
                master.write_all(&bytes[..count]).unwrap();
                continue;
            };
            master.write_all(b"500\n").unwrap();
            let (breached, Some(after)) = (Instant::now(), after) else { continue };
            // To the microsecond: a sleep would wake late. Meanwhile the wire goes on.
            std::thread::spawn(move || {
                while breached.elapsed() < after {
                    std::hint::spin_loop();
                }
                kill_process(Pid::from_raw(process.cast_signed()).unwrap(), Signal::KILL).unwrap();
            });
        }
    }
}

/// What one round came to.
struct Round {
    after: Option<Duration>,
    told: bool,
    latched: bool,
}

fn round(seed: u64, number: u64) -> Round {
    let served = Served::start("honest");
    let port = served.port("thermometer");
    let relay = Relay::before(&port);
    let text = std::fs::read_to_string(served.bench()).unwrap();
    let (from, to) = (format!("\"{}\"", port.display()), format!("\"{}\"", relay.name.display()));
    std::fs::write(served.bench(), text.replace(&from, &to)).unwrap();
    let mut daemon = served.run(&served.script(SCRIPT)).stdin(Stdio::null()).spawn().unwrap();
    let journal = || {
        let run = bench::some_folder(&served.folder.path().join("results"))?;
        std::fs::read_to_string(run.join("journal.jsonl")).ok()
    };
    let until = Instant::now() + Duration::from_secs(60);
    while journal().is_none_or(|text| text.matches("\"kind\":\"step\"").count() < 1) {
        assert!(Instant::now() < until, "no steps");
        assert!(daemon.try_wait().unwrap().is_none(), "{}", said(&daemon.wait_with_output().unwrap()));
        std::thread::sleep(Duration::from_millis(5));
    }
    let after = number.is_multiple_of(2).then(|| WITHIN.mul_f64(draw(seed, number)));
    *relay.order.lock().unwrap() = Some((daemon.id(), after));
    if after.is_none() {
        // The end of the file is enough, and quicker.
        while journal().is_none_or(|text| !text.lines().rev().take(4).any(|line| line.contains(TOLD))) {
            assert!(Instant::now() < until, "no trip");
        }
        daemon.kill().unwrap();
    }
    let output = daemon.wait_with_output().unwrap();
    let told = said(&output).contains(TOLD) || journal().unwrap().contains(TOLD);
    let state = std::fs::read_dir(served.state()).ok().and_then(|mut all| Some(all.next()?.unwrap().path()));
    let latch = state.and_then(|state| read_latch(&state).unwrap());
    if let Some(latch) = &latch {
        assert!(latch.record.cause.to_string().contains(TOLD), "{}", latch.record.cause);
        let next = served.run(&served.script("print(\"nothing\");")).output().unwrap();
        assert_eq!(next.status.code(), Some(1), "{}", said(&next));
        assert!(said(&next).contains(TOLD) && said(&next).contains("wattproof reset"), "{}", said(&next));
    }
    Round { after, told, latched: latch.is_some() }
}

#[test]
fn fault_38_no_trip_that_was_told_is_lost_with_a_killed_daemon() {
    let (rounds, seed) = (setting("ROUNDS", 10), setting("SEED", 1));
    let mut all: Vec<Round> = (0..rounds).map(|number| round(seed, number)).collect();
    all.sort_by_key(|round| round.after);
    let count = |what: fn(&&Round) -> bool| all.iter().filter(what).count();
    println!(
        "{rounds} kills, half of them up to {WITHIN:?} after the breach was on the wire: {} latched, {} told, {} told and not latched; the last not latched after {:?}, the first latched after {:?}",
        count(|round| round.latched),
        count(|round| round.told),
        count(|round| round.told && !round.latched),
        all.iter().rev().find(|round| !round.latched).and_then(|round| round.after),
        all.iter().find(|round| round.latched && round.after.is_some()).and_then(|round| round.after),
    );
    assert_eq!(count(|round| round.told && !round.latched), 0);
    assert!(count(|round| round.told) as u64 >= rounds / 2, "a test of nothing");
}
