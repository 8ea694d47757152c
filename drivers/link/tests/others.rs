//! Addresses, TCP, pipes and virtual time.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

use std::io::{Read, Write};
use std::net::TcpListener;
use std::time::Duration;

use wattproof_link::{
    Address, CallLink, Flow, Link, LinkError, Parity, SerialChoice, SerialSettings, TcpLink, Traced,
    VirtualClock, pipe,
};

const LONG: Duration = Duration::from_secs(20);

fn parse(text: &str) -> Result<Address, String> {
    #[derive(serde::Deserialize)]
    struct Bench {
        address: Address,
    }
    toml::from_str::<Bench>(text).map(|bench| bench.address).map_err(|error| error.to_string())
}

#[test]
fn what_an_address_leaves_out_is_the_dialects_to_say() {
    // Project definition: bench file before dialect before the usual.
    let address = parse("address = { serial = \"/dev/ttyUSB0\", baud = 2400 }").unwrap();
    let usual = SerialChoice { baud: Some(9600), flow: Some(Flow::Software), ..SerialChoice::default() };
    let Address::Serial { settings, .. } = address.with_usual(&usual) else { unreachable!() };
    let settings = settings.settings();
    assert_eq!((settings.baud, settings.flow, settings.data_bits), (2400, Flow::Software, 8));
    let written = toml::Value::try_from(&address).unwrap().to_string();
    assert!(!written.contains("parity"), "{written}");
}

#[test]
fn addresses_are_written_flat() {
    let wanted = SerialSettings {
        baud: 9600,
        data_bits: 7,
        parity: Parity::Even,
        stop_bits: 2,
        flow: Flow::Hardware,
        dtr_at_open: Some(false),
        rts_at_open: None,
    };
    let text = "address = { serial = \"/dev/ttyUSB0\", baud = 9600, data_bits = 7, parity = \"even\", \
                stop_bits = 2, flow = \"hardware\", dtr_at_open = false }";
    let address = parse(text).unwrap();
    assert_eq!(address, Address::Serial { path: "/dev/ttyUSB0".into(), settings: wanted.into() });
    let again = format!("address = {}", toml::Value::try_from(&address).unwrap());
    assert_eq!(parse(&again).unwrap(), address);
    assert_eq!(
        parse("address = { tcp = \"bench:5025\" }").unwrap(),
        Address::Tcp { host_port: "bench:5025".into() }
    );
}

#[test]
fn wrong_addresses_say_what_is_wrong() {
    for (text, word) in [
        ("address = {}", "neither"),
        ("address = { serial = \"a\", tcp = \"b:1\" }", "keep one"),
        ("address = { tcp = \"b:1\", baud = 9600 }", "serial port"),
        ("address = { tcp = \"b\" }", "host:port"),
        ("address = { serial = \"a\", baud = 0 }", "baud"),
        ("address = { serial = \"a\", data_bits = 9 }", "data_bits"),
        ("address = { serial = \"a\", stop_bits = 0 }", "stop_bits"),
        ("address = { serial = \"a\", bauds = 9600 }", "bauds"),
        ("address = { serial = \"a\", parity = \"mark\" }", "mark"),
    ] {
        let error = parse(text).unwrap_err();
        assert!(error.contains(word), "{text}: {error}");
    }
}

#[test]
fn tcp_carries_bytes_and_reports_the_end() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let server = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let mut question = [0u8; 6];
        stream.read_exact(&mut question).unwrap();
        stream.write_all(b"answer\n").unwrap();
        question
    });
    let mut link = TcpLink::open(&address).unwrap();
    link.send(b"*IDN?\n", LONG).unwrap();
    let mut got = Vec::new();
    let end = loop {
        let mut buf = [0u8; 3];
        match link.receive(&mut buf, LONG) {
            Ok(n) => got.extend_from_slice(&buf[..n]),
            Err(error) => break error,
        }
    };
    assert_eq!((got.as_slice(), end), (b"answer\n".as_slice(), LinkError::HungUp));
    assert_eq!(&server.join().unwrap(), b"*IDN?\n");
}

#[test]
fn a_refused_connection_names_the_address() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    drop(listener);
    let error = TcpLink::open(&address).unwrap_err();
    assert!(matches!(error, LinkError::Open { .. }) && error.to_string().contains(&address), "{error}");
}

#[test]
fn a_pipe_joins_two_ends() {
    let (a, mut b) = pipe().unwrap();
    let mut a = Traced::new(a);
    a.send(b"ping", LONG).unwrap();
    let mut buf = [0u8; 8];
    assert_eq!(b.receive(&mut buf, LONG), Ok(4));
    assert_eq!(b.receive(&mut buf, Duration::ZERO), Err(LinkError::TimedOut));
    drop(a);
    assert_eq!(b.receive(&mut buf, LONG), Err(LinkError::HungUp));
}

#[test]
fn virtual_time_moves_only_while_waiting() {
    let echo = Box::new(|bytes: &[u8], _now: Duration| bytes.to_vec());
    let mut link = CallLink::new("rehearsal", echo);
    link.send(b"abc", LONG).unwrap();
    let mut buf = [0u8; 2];
    assert_eq!(link.receive(&mut buf, LONG), Ok(2));
    assert_eq!(link.receive(&mut buf, LONG), Ok(1));
    assert_eq!(link.now(), Duration::ZERO);
    let deadline = Duration::from_secs(3600);
    assert_eq!(link.receive(&mut buf, deadline), Err(LinkError::TimedOut));
    assert_eq!(link.now(), deadline);
    link.canceller().cancel();
    assert_eq!(link.send(b"x", LONG), Err(LinkError::Cancelled));
    assert_eq!(link.receive(&mut buf, LONG), Err(LinkError::Cancelled));
}

#[test]
fn a_polled_responder_can_answer_late_on_a_shared_clock() {
    let clock = VirtualClock::new();
    let mut due = None;
    let late = Box::new(move |bytes: &[u8], now: Duration| {
        if !bytes.is_empty() {
            due = Some(now + Duration::from_millis(250));
        }
        if due.is_some_and(|at| now >= at) {
            due = None;
            return b"late\n".to_vec();
        }
        Vec::new()
    });
    let mut link = CallLink::polled("late", clock.clone(), Duration::from_millis(1), late);
    link.send(b"?\n", LONG).unwrap();
    let mut buf = [0u8; 8];
    assert_eq!(link.receive(&mut buf, Duration::from_millis(100)), Err(LinkError::TimedOut));
    assert_eq!(link.receive(&mut buf, Duration::from_millis(1000)), Ok(5));
    assert_eq!(clock.now(), Duration::from_millis(250));
}
