//! The watch on pseudo-terminals, in a thread: what arrives on the wire, and when. The process itself is tested in
//! `tests/tests/guardian.rs`. Expected behaviour: the project's safety design.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

use std::io::IoSlice;
use std::mem::MaybeUninit;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::net::{
    AddressFamily, SendAncillaryBuffer, SendAncillaryMessage, SendFlags, SocketFlags, SocketType, send,
    sendmsg, socketpair,
};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use wattproof_guardian::{Ended, GuardianError, Notes, serve};

struct Pty {
    master: OwnedFd,
    slave: OwnedFd,
}

impl Pty {
    fn open() -> Pty {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap();
        let slave =
            rustix::fs::open(&name, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty()).unwrap();
        let mut modes = tcgetattr(&slave).unwrap();
        modes.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &modes).unwrap();
        Pty { master, slave }
    }

    /// What arrives within a time.
    fn read(&self, within: Duration) -> Vec<u8> {
        self.read_up_to(usize::MAX, within)
    }

    /// The first OFF, within a second: far less than an unreadable port would hold it up, far more than a machine that
    /// is busy with other tests.
    fn first(&self, off: &str) -> Vec<u8> {
        self.read_up_to(off.len() + 1, Duration::from_secs(1))
    }

    fn read_up_to(&self, most: usize, within: Duration) -> Vec<u8> {
        let mut bytes = Vec::new();
        let until = Instant::now() + within;
        while bytes.len() < most {
            let left = until.saturating_duration_since(Instant::now());
            let timeout = Timespec { tv_sec: left.as_secs() as i64, tv_nsec: i64::from(left.subsec_nanos()) };
            let mut fds = [PollFd::new(&self.master, PollFlags::IN)];
            poll(&mut fds, Some(&timeout)).unwrap();
            if !fds[0].revents().contains(PollFlags::IN) {
                return bytes;
            }
            let mut buf = [0u8; 4096];
            let room = buf.len().min(most - bytes.len());
            let count = rustix::io::read(&self.master, &mut buf[..room]).unwrap();
            bytes.extend_from_slice(&buf[..count]);
        }
        bytes
    }

    /// Fills it until it takes no more.
    fn block(&self) {
        let flags = rustix::fs::fcntl_getfl(&self.slave).unwrap();
        rustix::fs::fcntl_setfl(&self.slave, flags | OFlags::NONBLOCK).unwrap();
        while rustix::io::write(&self.slave, &[b'x'; 4096]).is_ok() {}
    }
}

struct Watched {
    daemon: OwnedFd,
    thread: JoinHandle<Result<Ended, GuardianError>>,
}

/// A guardian over the given ports that fires after 1 s of silence: longer than a busy machine keeps a test waiting.
fn watched(ports: &[(&Pty, &str)]) -> Watched {
    let (daemon, theirs) =
        socketpair(AddressFamily::UNIX, SocketType::SEQPACKET, SocketFlags::CLOEXEC, None).unwrap();
    // The orders as the daemon encodes them: count, silence in ms, then length and bytes of each port.
    let mut orders = vec![ports.len() as u8];
    orders.extend_from_slice(&1000u32.to_le_bytes());
    for (_, off) in ports {
        orders.extend_from_slice(&(off.len() as u16).to_le_bytes());
        orders.extend_from_slice(off.as_bytes());
    }
    let descriptors: Vec<BorrowedFd<'_>> = ports.iter().map(|(pty, _)| pty.slave.as_fd()).collect();
    let mut space = [MaybeUninit::uninit(); rustix::cmsg_space!(ScmRights(8))];
    let mut control = SendAncillaryBuffer::new(&mut space);
    assert!(control.push(SendAncillaryMessage::ScmRights(&descriptors)));
    sendmsg(&daemon, &[IoSlice::new(&orders)], &mut control, SendFlags::empty()).unwrap();
    let thread = std::thread::spawn(move || serve(theirs.as_fd(), Notes::default));
    let mut ready = [0u8; 9];
    rustix::io::read(&daemon, &mut ready).unwrap();
    assert_eq!(ready[0], b'r');
    Watched { daemon, thread }
}

impl Watched {
    fn say(&self, tag: u8) {
        let mut letter = [0u8; 9];
        letter[0] = tag;
        send(&self.daemon, &letter, SendFlags::empty()).unwrap();
    }

    fn hear(&self) -> u8 {
        let mut letter = [0u8; 9];
        rustix::io::read(&self.daemon, &mut letter).unwrap();
        letter[0]
    }

    fn beat_for(&self, length: Duration) {
        let until = Instant::now() + length;
        while Instant::now() < until {
            self.say(b'b');
            assert_eq!(self.hear(), b'e');
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// The daemon dies.
    fn die(self) -> Ended {
        drop(self.daemon);
        self.thread.join().unwrap().unwrap()
    }
}

/// Nothing but repetitions of a newline and OFF; how many.
fn offs(bytes: &[u8], off: &str) -> usize {
    let whole = format!("\n{off}");
    let text = String::from_utf8(bytes.to_vec()).unwrap();
    assert_eq!(text.replace(&whole, ""), "", "only OFF may leave: {text:?}");
    text.matches(&whole).count()
}

#[test]
fn fault_38_a_dead_daemon_is_answered_on_every_port_and_again() {
    let (source, supply) = (Pty::open(), Pty::open());
    let watched = watched(&[(&source, "OUTP1 OFF\nOUTP2 OFF\n"), (&supply, "OUTP OFF\n")]);
    watched.beat_for(Duration::from_millis(300));
    assert!(source.read(Duration::ZERO).is_empty(), "nothing leaves while the daemon lives");
    let ended = std::thread::spawn(move || watched.die());
    let first = source.first("OUTP1 OFF\nOUTP2 OFF\n");
    assert_eq!(offs(&first, "OUTP1 OFF\nOUTP2 OFF\n"), 1);
    let rest = source.read(Duration::from_millis(1500));
    assert_eq!(offs(&rest, "OUTP1 OFF\nOUTP2 OFF\n"), 4);
    assert_eq!(offs(&supply.read(Duration::ZERO), "OUTP OFF\n"), 5);
    assert_eq!(ended.join().unwrap(), Ended::Fired);
}

#[test]
fn fault_39_a_silent_daemon_is_answered_and_told_until_it_has_seen() {
    let supply = Pty::open();
    let watched = watched(&[(&supply, "OUTP OFF\n")]);
    watched.beat_for(Duration::from_millis(100));
    let silent = Instant::now();
    assert_eq!(watched.hear(), b'f');
    let after = silent.elapsed();
    assert!(after > Duration::from_millis(900) && after < Duration::from_secs(10), "{after:?}");
    assert!(offs(&supply.read(Duration::from_millis(900)), "OUTP OFF\n") >= 5);
    // Awake again, it hears of it whatever it says first.
    for _ in 0..3 {
        watched.say(b'b');
        assert_eq!(watched.hear(), b'f');
    }
    watched.say(b's');
    watched.beat_for(Duration::from_millis(50));
    // A second silence is answered again.
    assert_eq!(watched.hear(), b'f');
    assert!(offs(&supply.read(Duration::from_millis(900)), "OUTP OFF\n") >= 5);
    watched.say(b's');
    watched.say(b'b');
    assert_eq!(watched.hear(), b'e');
    watched.say(b'g');
    assert_eq!(watched.thread.join().unwrap().unwrap(), Ended::Dismissed);
}

#[test]
fn goodbye_sends_nothing() {
    let supply = Pty::open();
    let watched = watched(&[(&supply, "OUTP OFF\n")]);
    watched.beat_for(Duration::from_millis(60));
    watched.say(b'g');
    assert_eq!(watched.thread.join().unwrap().unwrap(), Ended::Dismissed);
    assert!(supply.read(Duration::from_millis(300)).is_empty());
}

#[test]
fn fault_10_a_blocked_port_delays_no_other_and_is_flushed() {
    let (blocked, supply) = (Pty::open(), Pty::open());
    blocked.block();
    let watched = watched(&[(&blocked, "OUTP1 OFF\n"), (&supply, "OUTP OFF\n")]);
    let ended = std::thread::spawn(move || watched.die());
    assert_eq!(offs(&supply.first("OUTP OFF\n"), "OUTP OFF\n"), 1);
    assert_eq!(ended.join().unwrap(), Ended::Fired);
    // Stuck bytes are forgotten; what is left ends in OFF.
    let bytes = blocked.read(Duration::from_millis(100));
    let text = String::from_utf8(bytes).unwrap();
    assert!(text.ends_with("\nOUTP1 OFF\n"), "{:?}", text.get(text.len().saturating_sub(60)..));
}

#[test]
fn fault_1_a_port_that_hung_up_delays_no_other() {
    let (gone, supply) = (Pty::open(), Pty::open());
    let watched = watched(&[(&gone, "OUTP1 OFF\n"), (&supply, "OUTP OFF\n")]);
    let Pty { master, slave: _slave } = gone;
    drop(master);
    let ended = std::thread::spawn(move || watched.die());
    assert_eq!(offs(&supply.first("OUTP OFF\n"), "OUTP OFF\n"), 1);
    assert_eq!(ended.join().unwrap(), Ended::Fired);
}

#[test]
fn orders_that_make_no_sense_are_refused_before_any_watch() {
    let (daemon, theirs) =
        socketpair(AddressFamily::UNIX, SocketType::SEQPACKET, SocketFlags::CLOEXEC, None).unwrap();
    send(&daemon, b"\x02nonsense", SendFlags::empty()).unwrap();
    assert!(matches!(serve(theirs.as_fd(), Notes::default), Err(GuardianError::Orders(_))));
}

/// Fault 52: whatever length comes over the socket, it is bounded; orders that are too long arm nothing, letters that are
/// no words are as good as silence.
#[test]
fn fault_52_orders_and_letters_that_are_too_long_lead_to_nothing_but_off() {
    let (daemon, theirs) =
        socketpair(AddressFamily::UNIX, SocketType::SEQPACKET, SocketFlags::CLOEXEC, None).unwrap();
    send(&daemon, &vec![1; 100_000], SendFlags::empty()).unwrap();
    assert!(matches!(serve(theirs.as_fd(), Notes::default), Err(GuardianError::Orders(_))));

    let supply = Pty::open();
    let watched = watched(&[(&supply, "OUTP OFF\n")]);
    send(&watched.daemon, &vec![b'x'; 100_000], SendFlags::empty()).unwrap();
    let off = supply.read(Duration::from_millis(2500));
    assert!(offs(&off, "OUTP OFF\n") >= 1);
    assert_eq!(watched.die(), Ended::Fired);
}
