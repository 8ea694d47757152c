//! The serial link against pseudo-terminals. What a pseudo-terminal cannot show (parity, framing errors, modem
//! lines) is not tested here. Expected behaviour: termios(3), tty_ioctl(4), poll(2) manual pages.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

use std::os::fd::OwnedFd;
use std::time::Duration;

use proptest::prelude::*;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use wattproof_link::{
    Address, InputLine, Link, LinkError, ModemLine, OutputLine, Parity, SerialLink, SerialSettings, open,
};

/// Far enough that only a hang would reach it.
const LONG: Duration = Duration::from_secs(20);

fn terminal() -> (OwnedFd, String) {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let path = ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
    (master, path)
}

fn linked() -> (OwnedFd, SerialLink) {
    let (master, path) = terminal();
    let link = SerialLink::open(&path, &SerialSettings::default()).unwrap();
    (master, link)
}

fn read_exactly(master: &OwnedFd, count: usize) -> Vec<u8> {
    let mut got = Vec::new();
    while got.len() < count {
        let mut fds = [PollFd::new(master, PollFlags::IN)];
        let ready = poll(&mut fds, Some(&Timespec { tv_sec: 20, tv_nsec: 0 })).unwrap();
        assert!(ready > 0, "only {} of {count} bytes came", got.len());
        let mut buf = [0u8; 4096];
        let n = rustix::io::read(master, &mut buf).unwrap();
        got.extend_from_slice(&buf[..n]);
    }
    got
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    /// Every byte value passes both ways, whatever the pieces: the port is raw (no echo, no CR or XON mangling).
    #[test]
    fn bytes_pass_unchanged_in_any_pieces(
        out in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 1..300), 1..5),
        back in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 1..300), 1..5),
        room in 1usize..200,
    ) {
        let (master, mut link) = linked();
        for piece in &out {
            link.send(piece, LONG).unwrap();
        }
        let sent = out.concat();
        prop_assert_eq!(read_exactly(&master, sent.len()), sent);
        let mut got = Vec::new();
        for piece in &back {
            rustix::io::write(&master, piece).unwrap();
            let wanted = got.len() + piece.len();
            while got.len() < wanted {
                let mut buf = vec![0u8; room];
                let n = link.receive(&mut buf, LONG).unwrap();
                prop_assert!(n >= 1);
                got.extend_from_slice(&buf[..n]);
            }
        }
        prop_assert_eq!(got, back.concat());
    }
}

#[test]
fn silence_times_out_at_the_deadline_and_the_link_stays_usable() {
    let (master, mut link) = linked();
    let mut buf = [0u8; 8];
    let deadline = link.now() + Duration::from_millis(20);
    assert_eq!(link.receive(&mut buf, deadline), Err(LinkError::TimedOut));
    assert!(link.now() >= deadline);
    rustix::io::write(&master, b"late").unwrap();
    assert_eq!(link.receive(&mut buf, LONG), Ok(4));
}

#[test]
fn a_past_deadline_still_gives_what_is_there() {
    let (master, mut link) = linked();
    rustix::io::write(&master, b"xy").unwrap();
    let mut buf = [0u8; 1];
    assert_eq!(link.receive(&mut buf, LONG), Ok(1));
    assert_eq!(link.receive(&mut buf, Duration::ZERO), Ok(1));
    assert_eq!(link.receive(&mut buf, Duration::ZERO), Err(LinkError::TimedOut));
}

#[test]
fn closing_the_far_end_hangs_up_both_directions() {
    let (master, mut link) = linked();
    drop(master);
    let mut buf = [0u8; 8];
    assert_eq!(link.receive(&mut buf, LONG), Err(LinkError::HungUp));
    assert_eq!(link.send(b"*IDN?\n", LONG), Err(LinkError::HungUp));
}

#[test]
fn a_second_open_is_refused_and_a_later_one_is_not() {
    let (_master, path) = terminal();
    let first = SerialLink::open(&path, &SerialSettings::default()).unwrap();
    let second = SerialLink::open(&path, &SerialSettings::default()).unwrap_err();
    assert!(matches!(second, LinkError::Busy { .. }), "{second:?}");
    assert!(second.to_string().contains(&path), "{second}");
    drop(first);
    SerialLink::open(&path, &SerialSettings::default()).unwrap();
}

#[test]
fn cancelling_unblocks_a_blocked_receive_until_cleared() {
    let (master, mut link) = linked();
    let canceller = link.canceller();
    let waiting = std::thread::spawn(move || {
        let mut buf = [0u8; 8];
        let outcome = link.receive(&mut buf, LONG);
        (link, outcome)
    });
    canceller.cancel();
    let (mut link, outcome) = waiting.join().unwrap();
    assert_eq!(outcome, Err(LinkError::Cancelled));
    assert!(link.now() < LONG);
    assert_eq!(link.send(b"x", LONG), Err(LinkError::Cancelled));
    canceller.clear();
    rustix::io::write(&master, b"y").unwrap();
    let mut buf = [0u8; 8];
    assert_eq!(link.receive(&mut buf, LONG), Ok(1));
}

/// What comes in one go is read on without asking whether there is more: that must change nothing of how a wait ends.
#[test]
fn behind_much_that_came_a_wait_still_ends_by_deadline_cancellation_or_hang_up() {
    let (master, mut link) = linked();
    let canceller = link.canceller();
    let much = |link: &mut SerialLink| {
        rustix::io::write(&master, &[b'x'; 3000]).unwrap();
        let (mut got, mut buf) = (0, [0u8; 8192]);
        while got < 3000 {
            got += link.receive(&mut buf, LONG).unwrap();
        }
        assert_eq!(got, 3000);
    };
    let mut buf = [0u8; 8];
    much(&mut link);
    let deadline = link.now() + Duration::from_millis(20);
    assert_eq!(link.receive(&mut buf, deadline), Err(LinkError::TimedOut));
    assert!(link.now() >= deadline);
    much(&mut link);
    canceller.cancel();
    assert_eq!(link.receive(&mut buf, LONG), Err(LinkError::Cancelled));
    canceller.clear();
    much(&mut link);
    drop(master);
    assert_eq!(link.receive(&mut buf, LONG), Err(LinkError::HungUp));
}

#[test]
fn a_write_into_a_full_buffer_times_out_and_can_be_abandoned() {
    let (_master, mut link) = linked();
    let flood = vec![b'x'; 4_000_000];
    let deadline = link.now() + Duration::from_millis(100);
    assert_eq!(link.send(&flood, deadline), Err(LinkError::TimedOut));
    link.abandon().unwrap();
    link.send(b"OUTP OFF\n", LONG).unwrap();
}

#[test]
fn drain_counts_what_it_throws_away() {
    let (master, mut link) = linked();
    rustix::io::write(&master, b"stale answer\n").unwrap();
    assert_eq!(link.drain(Duration::from_millis(30), LONG), Ok(13));
    assert_eq!(link.drain(Duration::from_millis(1), LONG), Ok(0));
    // Less time than the silence asked for can never be quiet enough.
    let deadline = link.now() + Duration::from_millis(1);
    assert_eq!(link.drain(Duration::from_millis(30), deadline), Err(LinkError::TimedOut));
}

#[test]
fn a_missing_port_is_named_and_the_others_listed() {
    let error = SerialLink::open("/dev/no-such-port", &SerialSettings::default()).unwrap_err();
    let text = error.to_string();
    assert!(matches!(error, LinkError::Open { .. }));
    assert!(text.contains("/dev/no-such-port") && text.contains("no such port"), "{text}");
    assert!(text.contains("the ports there are") || text.contains("lists no serial port"), "{text}");
}

#[test]
fn a_file_is_no_port() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let path = file.path().to_str().unwrap();
    let error = SerialLink::open(path, &SerialSettings::default()).unwrap_err();
    assert!(error.to_string().contains("not a serial port"), "{error}");
}

#[test]
fn lines_a_pseudo_terminal_lacks_are_an_error_only_when_asked_for() {
    let (_master, path) = terminal();
    let asked = SerialSettings { dtr_at_open: Some(true), ..SerialSettings::default() };
    let error = SerialLink::open(&path, &asked).unwrap_err();
    assert!(error.to_string().contains("DTR"), "{error}");
    SerialLink::open(&path, &SerialSettings::default()).unwrap();
}

#[test]
fn frame_settings_are_checked_and_taken() {
    let (_master, path) = terminal();
    for bad in [
        SerialSettings { baud: 0, ..SerialSettings::default() },
        SerialSettings { data_bits: 9, ..SerialSettings::default() },
        SerialSettings { stop_bits: 3, ..SerialSettings::default() },
    ] {
        assert!(matches!(SerialLink::open(&path, &bad), Err(LinkError::Open { .. })), "{bad:?}");
    }
    let odd = SerialSettings { baud: 9600, parity: Parity::Odd, stop_bits: 2, ..SerialSettings::default() };
    SerialLink::open(&path, &odd).unwrap();
}

#[test]
fn an_address_opens_a_traced_link() {
    let (master, path) = terminal();
    let mut link =
        open(&Address::Serial { path: path.clone(), settings: SerialSettings::default().into() }).unwrap();
    assert_eq!(link.label(), path);
    assert!(link.descriptor().is_some());
    link.send(b"*IDN?\n", LONG).unwrap();
    assert_eq!(read_exactly(&master, 6), b"*IDN?\n");
}

/// tty_ioctl(4): TIOCMSET on a terminal without modem lines is refused.
#[test]
fn a_port_without_modem_lines_is_refused_for_a_contactor() {
    let (_master, path) = terminal();
    for (line, name) in [(OutputLine::Rts, "RTS"), (OutputLine::Dtr, "DTR")] {
        let told = ModemLine::open(&path, line, Some(InputLine::Cts)).unwrap_err().to_string();
        for word in [path.as_str(), name, "pseudo-terminal"] {
            assert!(told.contains(word), "no {word:?} in: {told}");
        }
    }
    let told = ModemLine::open("/dev/ttyNOSUCH0", OutputLine::Rts, None).unwrap_err().to_string();
    assert!(told.contains("/dev/ttyNOSUCH0") && told.contains("no such port"), "{told}");
    let told = ModemLine::open("/dev/null", OutputLine::Rts, None).unwrap_err().to_string();
    assert!(told.contains("not a serial port"), "{told}");
    // It is left usable: neither locked nor exclusive.
    SerialLink::open(&path, &SerialSettings::default()).unwrap();
}
