//! The USB class link over a stand-in: a socket pair of whole messages, on which a read without an answer blocks as the
//! driver's does. That one write is one message and one read one answer is USBTMC 1.0, 3.2 and 3.3, by the kernel's
//! driver (Documentation/driver-api/usb and drivers/usb/class/usbtmc.c). Not tried on a device.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

use std::os::fd::OwnedFd;
use std::time::{Duration, Instant};

use rustix::net::{AddressFamily, SocketFlags, SocketType, socketpair};
use wattproof_link::{Link, LinkError, UsbTmcLink};

const LONG: Duration = Duration::from_secs(20);

fn linked() -> (OwnedFd, UsbTmcLink) {
    let (device, ours) =
        socketpair(AddressFamily::UNIX, SocketType::SEQPACKET, SocketFlags::CLOEXEC, None).unwrap();
    (device, UsbTmcLink::over("/dev/usbtmc0", ours).unwrap())
}

fn heard(device: &OwnedFd) -> Vec<u8> {
    let mut buf = [0u8; 1000];
    let count = rustix::io::read(device, &mut buf).unwrap();
    buf[..count].to_vec()
}

#[test]
fn a_message_leaves_whole_and_an_answer_comes_whole() {
    let (device, mut link) = linked();
    link.send(b"*IDN?\n", LONG).unwrap();
    link.expects();
    assert_eq!(heard(&device), b"*IDN?\n");
    rustix::io::write(&device, b"Invented,Meter,1,0\n").unwrap();
    // In pieces, as whoever reads wants them.
    let mut got = Vec::new();
    while !got.ends_with(b"\n") {
        let mut buf = [0u8; 5];
        let count = link.receive(&mut buf, LONG).unwrap();
        got.extend_from_slice(&buf[..count]);
    }
    assert_eq!(got, b"Invented,Meter,1,0\n");
}

/// IEEE 488.2, 6.3.2.3 (from memory): a controller that reads without having asked makes a query error, −420.
#[test]
fn nothing_is_read_before_an_answer_is_due() {
    let (device, mut link) = linked();
    // It would be taken at once if the link read unasked.
    rustix::io::write(&device, b"unasked\n").unwrap();
    let mut buf = [0u8; 64];
    let until = link.now() + Duration::from_millis(60);
    assert_eq!(link.receive(&mut buf, until), Err(LinkError::TimedOut));
    assert_eq!(link.drain(Duration::from_millis(20), LONG), Ok(0));
    link.expects();
    assert_eq!(link.receive(&mut buf, LONG), Ok(8));
    // Its end has come: nothing more is asked for.
    rustix::io::write(&device, b"more\n").unwrap();
    let until = link.now() + Duration::from_millis(60);
    assert_eq!(link.receive(&mut buf, until), Err(LinkError::TimedOut));
}

#[test]
fn a_read_that_blocks_for_ever_keeps_neither_deadline_nor_cancellation_waiting() {
    let (device, mut link) = linked();
    link.send(b"FETC?\n", LONG).unwrap();
    link.expects();
    let mut buf = [0u8; 64];
    let begun = Instant::now();
    let until = link.now() + Duration::from_millis(50);
    assert_eq!(link.receive(&mut buf, until), Err(LinkError::TimedOut));
    let canceller = link.canceller();
    let waiting = std::thread::spawn(move || {
        let mut buf = [0u8; 64];
        let outcome = link.receive(&mut buf, LONG);
        (link, outcome)
    });
    canceller.cancel();
    let (mut link, outcome) = waiting.join().unwrap();
    assert_eq!(outcome, Err(LinkError::Cancelled));
    // Far less than either LONG or the driver's own 5 s.
    assert!(begun.elapsed() < Duration::from_secs(3), "{:?}", begun.elapsed());
    canceller.clear();
    // What the driver would do to a write meanwhile is kept here too: it waits, but not longer than its deadline.
    let until = link.now() + Duration::from_millis(50);
    assert_eq!(link.send(b"ABOR\n", until), Err(LinkError::TimedOut));
    // Nothing of it left, and the late answer is not lost.
    assert_eq!(heard(&device), b"FETC?\n");
    rustix::io::write(&device, b"late\n").unwrap();
    assert_eq!(link.receive(&mut buf, LONG), Ok(5));
    link.send(b"ABOR\n", LONG).unwrap();
    assert_eq!(heard(&device), b"ABOR\n");
}

#[test]
fn what_may_not_leave_does_not() {
    let (device, mut link) = linked();
    assert_eq!(link.send_if(b"INP ON\n", LONG, &mut || false), Err(LinkError::Refused));
    link.send(b"INP?\n", LONG).unwrap();
    assert_eq!(heard(&device), b"INP?\n");
}

#[test]
fn a_device_that_is_pulled_hangs_up() {
    let (device, mut link) = linked();
    link.expects();
    drop(device);
    let mut buf = [0u8; 8];
    assert_eq!(link.receive(&mut buf, LONG), Err(LinkError::HungUp));
    assert_eq!(link.send(b"X\n", LONG), Err(LinkError::HungUp));
}

#[test]
fn a_missing_device_and_a_file_are_told() {
    let told = UsbTmcLink::open("/dev/usbtmc250").unwrap_err().to_string();
    assert!(told.contains("/dev/usbtmc250") && told.contains("no such device"), "{told}");
    let file = tempfile::NamedTempFile::new().unwrap();
    let told = UsbTmcLink::open(file.path().to_str().unwrap()).unwrap_err().to_string();
    assert!(told.contains("no device"), "{told}");
}
