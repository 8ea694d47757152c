//! Every shipped dialect against a simulated instrument that really behaves so, in virtual time, and against recordings
//! of those exchanges: bytes out and bytes in, frozen as text in `tests/exchanges/`. A recording is evidence: it is looked
//! through before it is kept, and a dialect that changes its bytes needs a new one (WATTPROOF_RECORD_EXCHANGES=1).
//!
//! Forms of messages: the tables of `drivers/dialects/README.md` and `drivers/virtual-bench/manners/README.md`.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod exchange;

use std::collections::VecDeque;
use std::panic::AssertUnwindSafe;
use std::time::Duration;

use exchange::{Lines, Tap, drive, file, simulated, text};
use wattproof_instruments::{Dialect, Role, SHIPPED, shipped_all};
use wattproof_link::{CallLink, Link, VirtualClock};

/// What has to come out, within what the instrument's own steps allow: project definition.
fn expected(dialect: &Dialect) -> Vec<(&'static str, f64, f64)> {
    match dialect.role {
        Role::Source => vec![
            ("hz", 1000.0, 1e-3),
            ("vrms", 0.25, 1e-6),
            ("on", 1.0, 0.0),
            ("off", 0.0, 0.0),
            ("vrms_max", 5.0, 1e-3),
        ],
        Role::Load => vec![("ohm", 4.0, 1e-9), ("connected", 1.0, 0.0), ("disconnected", 0.0, 0.0)],
        Role::Supply => vec![
            ("v", 14.4, 1e-3),
            ("limit_a", 20.0, 1e-3),
            ("protection_v", 16.0, 1e-2),
            ("on", 1.0, 0.0),
            ("off", 0.0, 0.0),
            ("measured_v", 14.4, 0.1),
            ("v_max", 60.0, 1e-3),
            ("limit_a_max", 200.0, 1e-3),
        ],
        // Channels 2 and 4 sense currents; nothing flows.
        Role::Digitizer => vec![
            ("interval_s", 1e-5, 1e-12),
            ("range_v", 2.0, 1e-9),
            ("sample of 0", 0.0, 1e-3),
            ("sample of 1", 0.0, 1e-3),
        ],
        Role::Thermometer => vec![("c", 23.0, 8.0)],
    }
}

#[test]
fn every_dialect_works_an_instrument_that_behaves_so() {
    let mut failed = Vec::new();
    for dialect in shipped_all().unwrap() {
        let lines = Lines::default();
        let link = Tap { inner: simulated(&dialect), lines: lines.clone() };
        let found = std::panic::catch_unwind(AssertUnwindSafe(|| drive(Box::new(link), &dialect)));
        let Ok(found) = found else {
            failed.push(format!("{}:\n{}", dialect.name, text(&lines)));
            continue;
        };
        for (name, value, within) in expected(&dialect) {
            let values: Vec<f64> = found.iter().filter(|(n, _)| n == name).map(|(_, v)| *v).collect();
            if values.is_empty() || values.iter().any(|v| !((v - value).abs() <= within)) {
                failed.push(format!("{} {name}: {values:?}", dialect.name));
            }
        }
        if std::env::var_os("WATTPROOF_RECORD_EXCHANGES").is_some() {
            std::fs::write(file(&dialect.name), text(&lines)).unwrap();
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

/// Gives back what was recorded when what is sent is what was sent then.
fn replayed(recording: &str, name: &str) -> (Box<dyn Link>, Lines) {
    let mut turns: VecDeque<(char, Vec<u8>)> = recording
        .lines()
        .map(|line| (line.chars().next().unwrap(), unescaped(line.get(2..).unwrap())))
        .collect();
    let name = name.to_string();
    let responder = Box::new(move |bytes: &[u8], _: Duration| {
        let mut came = Vec::new();
        for byte in bytes {
            let Some(('>', turn)) = turns.front_mut() else {
                panic!("{name}: {:?} was not sent then", bytes.escape_ascii().to_string())
            };
            assert_eq!(turn.first(), Some(byte), "{name}: other bytes are sent than were recorded");
            turn.remove(0);
            if turn.is_empty() {
                turns.pop_front();
                while let Some(('<', answer)) = turns.front() {
                    came.extend_from_slice(answer);
                    turns.pop_front();
                }
            }
        }
        came
    });
    let lines = Lines::default();
    let link = CallLink::polled("a recording", VirtualClock::new(), Duration::from_millis(1), responder);
    (Box::new(Tap { inner: link, lines: lines.clone() }), lines)
}

fn unescaped(text: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut rest = text.as_bytes();
    while let Some((byte, after)) = rest.split_first() {
        rest = after;
        if *byte != b'\\' {
            bytes.push(*byte);
            continue;
        }
        let (kind, after) = rest.split_first().unwrap();
        rest = after;
        bytes.push(match kind {
            b'n' => b'\n',
            b'r' => b'\r',
            b't' => b'\t',
            b'x' => {
                let (hex, after) = rest.split_at(2);
                rest = after;
                u8::from_str_radix(std::str::from_utf8(hex).unwrap(), 16).unwrap()
            }
            other => *other,
        });
    }
    bytes
}

#[test]
fn every_dialect_repeats_its_recorded_exchange_to_the_byte() {
    for dialect in shipped_all().unwrap() {
        let path = file(&dialect.name);
        let recording =
            std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let (link, lines) = replayed(&recording, &dialect.name);
        drive(link, &dialect);
        let (sent, whole) = (text(&lines), recording.lines().filter(|line| line.starts_with('>')).count());
        assert_eq!(sent.lines().filter(|line| line.starts_with('>')).count(), whole, "{}", dialect.name);
    }
    let kept = std::fs::read_dir(file("x").parent().unwrap()).unwrap().count();
    assert_eq!(kept, shipped_all().unwrap().len(), "a recording without a dialect");
}

/// Each of the manners really is one: a dialect that leaves out what bears it does not work its instrument.
#[test]
fn a_dialect_that_is_wrong_about_its_instrument_does_not_work_it() {
    for (name, right, wrong) in [
        ("echo-load", "byte_ms = 2.0", "byte_ms = 0.0"),
        ("echo-load", "echo = \"bytes\"", "echo = \"none\""),
        ("echo-load", "echo = \"bytes\"", "echo = \"line\""),
        ("echo-load", "field = 3", "field = 2"),
        ("peak-source", "query_chaining = false", ""),
        ("peak-source", "terminator = \"cr\"", "terminator = \"lf\""),
        ("peak-source", "answer_end = \"cr\"", "answer_end = \"lf\""),
        ("peak-source", "scale = 2.8284271247461903", "scale = 1.0"),
        ("comma-supply", "flow = \"software\"", "flow = \"none\""),
        ("comma-supply", "\ndecimal = \"comma\"\nerror", "\nerror"),
        ("comma-supply", "[answer]\ndecimal = \"comma\"", "[answer]"),
        ("comma-supply", "suffix = \"V\"", "suffix = \"W\""),
        ("packed-digitizer", "block = \"indefinite\"", ""),
        ("packed-digitizer", "little", "big"),
        ("packed-digitizer", "[operations.get_offset_v]\nquery = \"ZERO? {channel}\"\nunit = \"V\"", ""),
        ("list-digitizer", "gap_ms = 5", "gap_ms = 0"),
        ("list-digitizer", "separator = \";\"", "separator = \",\""),
        ("list-digitizer", "on = \"READY\", off = \"BUSY\"", "on = \"BUSY\", off = \"READY\""),
        ("kelvin-thermometer", "gap_ms = 40", "gap_ms = 0"),
        ("kelvin-thermometer", "echo = \"line\"", "echo = \"none\""),
        ("kelvin-thermometer", "offset = 273.15", ""),
        ("listed-thermometer", "scale = 10.0", ""),
    ] {
        let (file, text) = SHIPPED.iter().find(|(file, _)| file.strip_suffix(".toml") == Some(name)).unwrap();
        assert!(text.contains(right), "{right} is not in {file}");
        let text = text.replace(right, wrong).replace("chaining = false\n\n", "\n");
        let text = if wrong.is_empty() { text.replace("\nchaining = false", "") } else { text };
        let Ok(dialect) = Dialect::parse(file, &text) else {
            panic!("{file} with {wrong} is refused as it is")
        };
        let found =
            std::panic::catch_unwind(AssertUnwindSafe(|| drive(Box::new(simulated(&dialect)), &dialect)));
        let works = found.is_ok_and(|found| {
            expected(&dialect).iter().all(|(name, value, within)| {
                found.iter().filter(|(n, _)| n == name).all(|(_, v)| (v - value).abs() <= *within)
            })
        });
        assert!(!works, "{name} works with `{wrong}` instead of `{right}`");
    }
}
