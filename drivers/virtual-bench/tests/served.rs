//! The bench on real pseudo-terminals, opened like serial ports. Wall time passes here; only lower bounds that
//! the line speed itself sets are asserted.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic, reason = "a test may stop at once")]

mod rig;

use std::time::{Duration, Instant};

use rig::{response, rms};
use wattproof_link::{Link, LinkError, SerialLink, SerialSettings};
use wattproof_scpi::samples::decode;
use wattproof_scpi::{ByteOrder, SampleFormat};
use wattproof_virtual_bench::{Role, ServeError, VirtualBench, VirtualBenchOptions, catalogue};

const PATIENCE: Duration = Duration::from_secs(30);

fn options(pace_baud: Option<u32>) -> VirtualBenchOptions {
    let amplifier = catalogue::amplifier("honest").expect("built in");
    VirtualBenchOptions {
        amplifier,
        seed: 7,
        pace_baud,
        bits: 16,
        manners: Vec::new(),
        fixed_load_ohm: None,
        speaker: None,
        bridged: None,
        load_stands: None,
    }
}

fn open(bench: &VirtualBench, role: Role) -> SerialLink {
    let port = bench.port(role).expect("every role");
    SerialLink::open(&port.path, &SerialSettings::default()).expect("an open port")
}

fn send(link: &mut SerialLink, message: &str) {
    let deadline = link.now() + PATIENCE;
    link.send(format!("{message}\n").as_bytes(), deadline).expect("sent");
}

fn ask(link: &mut SerialLink, message: &str) -> wattproof_scpi::Response {
    send(link, message);
    response(link, PATIENCE).unwrap_or_else(|| panic!("no answer: {message}"))
}

#[test]
fn five_ports_answer_and_go_away_with_the_bench() {
    let bench = VirtualBench::start(options(None)).expect("a bench");
    assert_eq!(bench.ports().len(), 5);
    let mut links: Vec<SerialLink> = bench.ports().iter().map(|p| open(&bench, p.role)).collect();
    for (port, link) in bench.ports().iter().zip(&mut links) {
        assert_eq!(ask(link, "*IDN?").text(), port.idn);
    }
    bench.stop();
    for link in &mut links {
        let deadline = link.now() + PATIENCE;
        assert!(matches!(link.receive(&mut [0; 8], deadline), Err(LinkError::HungUp)));
    }
}

#[test]
fn a_controller_that_was_killed_leaves_the_port_usable() {
    use rustix::termios::ioctl_tiocexcl;
    let bench = VirtualBench::start(options(None)).expect("a bench");
    let path = &bench.port(Role::Supply).expect("every role").path;
    let flags = rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY;
    let killed = rustix::fs::open(path, flags, rustix::fs::Mode::empty()).expect("open");
    ioctl_tiocexcl(&killed).expect("exclusive");
    drop(killed);
    // Whoever may override the flag (root) sees no difference here; for others this is the test.
    let from = Instant::now();
    let link = loop {
        match SerialLink::open(path, &SerialSettings::default()) {
            Ok(link) => break Some(link),
            Err(_) if from.elapsed() < PATIENCE => std::thread::sleep(Duration::from_millis(10)),
            Err(_) => break None,
        }
    };
    assert!(ask(&mut link.expect("an open port"), "*IDN?").text().contains("virtual-supply"));
}

#[test]
fn a_record_in_wall_time_while_the_others_answer() {
    let bench = VirtualBench::start(options(None)).expect("a bench");
    let mut supply = open(&bench, Role::Supply);
    let mut load = open(&bench, Role::Load);
    let mut source = open(&bench, Role::Source);
    let mut digitizer = open(&bench, Role::Digitizer);
    ask(&mut supply, "CURR MAX;VOLT 14.4;OUTP ON;*OPC?");
    ask(&mut load, "SOUR1:RES 4;:INP1 ON;*OPC?");
    ask(&mut source, "SOUR1:VOLT 0.3;:OUTP1 ON;*OPC?");
    std::thread::sleep(Duration::from_millis(200));
    let from = Instant::now();
    // 40 000 samples at 200 kHz last 0.2 s.
    send(&mut digitizer, "SENS:SWE:POIN 40000;TINT 5US;:FORM REAL,32;:INIT;*OPC?");
    assert!(ask(&mut supply, "MEAS:CURR?").number().expect("a number") > 0.5);
    assert_eq!(response(&mut digitizer, PATIENCE).expect("an answer").text(), "1");
    assert!(from.elapsed() >= Duration::from_millis(200));
    let answer = ask(&mut digitizer, "FETC? (@1:2)");
    let samples =
        decode(answer.block().expect("a block"), SampleFormat::Real32, ByteOrder::Big).expect("samples");
    assert_eq!(samples.len(), 80_000);
    let (volts, amps) = samples.split_at(40_000);
    // 0.3 V times 30 dB, less the share of 0.04 ohm at 4 ohm; dividers of 0.1 %.
    let expected = 0.3 * 10f64.powf(1.5) * 4.0 / 4.04 / 20.0;
    assert!((rms(volts) / expected - 1.0).abs() < 5.0e-3, "{} {expected}", rms(volts));
    assert!((rms(amps) * 10.0 * 4.0 / (rms(volts) * 20.0) - 1.0).abs() < 3.0e-3);
}

#[test]
fn a_second_controller_finds_the_port_as_the_first_left_it() {
    let bench = VirtualBench::start(options(None)).expect("a bench");
    let mut first = open(&bench, Role::Source);
    assert_eq!(ask(&mut first, "SOUR1:FREQ 440;FREQ?").number().expect("a number"), 440.0);
    // Gone with a question open.
    send(&mut first, "*IDN?");
    drop(first);
    let mut second = open(&bench, Role::Source);
    let deadline = second.now() + PATIENCE;
    second.drain(Duration::from_millis(100), deadline).expect("silence");
    assert_eq!(ask(&mut second, "SOUR1:FREQ?").number().expect("a number"), 440.0);
}

#[test]
fn garbage_does_not_kill_a_port() {
    let bench = VirtualBench::start(options(None)).expect("a bench");
    let mut link = open(&bench, Role::Load);
    let garbage: Vec<u8> =
        (0..5_000_u32).map(|k| (k.wrapping_mul(2_654_435_761) >> 13) as u8 | 0x80).collect();
    let deadline = link.now() + PATIENCE;
    link.send(&garbage, deadline).expect("sent");
    send(&mut link, "");
    let deadline = link.now() + PATIENCE;
    link.drain(Duration::from_millis(100), deadline).expect("silence");
    let (number, _) = ask(&mut link, "SYST:ERR?").error_entry().expect("an entry");
    assert!((-199..=-100).contains(&number) || number == -363, "{number}");
    assert!(ask(&mut link, "*CLS;*IDN?").text().contains("virtual-load"));
}

#[test]
fn a_paced_line_gives_every_byte_its_ten_bits() {
    const BAUD: u32 = 19_200;
    let bench = VirtualBench::start(options(Some(BAUD))).expect("a bench");
    let mut link = open(&bench, Role::Digitizer);
    assert_eq!(ask(&mut link, "SENS:SWE:POIN 256;:FORM INT,16;:INIT;*OPC?").text(), "1");
    let line_s = |bytes: usize| bytes as f64 * 10.0 / f64::from(BAUD);
    let message = "FETC? (@1)";
    let from = Instant::now();
    let answer = ask(&mut link, message);
    let took_s = from.elapsed().as_secs_f64();
    assert_eq!(answer.block().expect("a block").len(), 512);
    let least_s = line_s(message.len() + 1) + line_s(answer.bytes().len() + 1);
    assert!(took_s >= least_s, "{took_s} {least_s}");
    // Towards the instrument: blank messages of 600 bytes in front.
    let from = Instant::now();
    let answer = ask(&mut link, &format!("{}*OPC?", " ".repeat(600)));
    assert_eq!(answer.text(), "1");
    assert!(from.elapsed().as_secs_f64() >= line_s(600), "{:?}", from.elapsed());
}

#[test]
fn what_cannot_be_served_is_told() {
    assert!(matches!(VirtualBench::start(options(Some(0))), Err(ServeError::Pace)));
    let faulty = VirtualBenchOptions { bits: 14, ..options(None) };
    let error = VirtualBench::start(faulty).expect_err("14 bits").to_string();
    assert!(error.contains("14 bits"), "{error}");
}
