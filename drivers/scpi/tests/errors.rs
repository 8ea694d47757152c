//! `data/scpi_errors.json`: numbers, texts, classes, and the example given with each error.
//! Source: see `data/README.md`.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may fail the test")]

mod rig;

use rig::{Rig, ask, interpreter};
use serde_json::Value;
use wattproof_scpi::ScpiError;
use wattproof_scpi::standard::{STANDARD, event_bit, standard_text};

fn errors() -> Value {
    serde_json::from_str(include_str!("data/scpi_errors.json")).unwrap()
}

#[test]
fn every_standard_error_has_its_text_and_event_bit() {
    let all = errors();
    let list = all["errors"].as_array().unwrap();
    assert_eq!(list.len(), STANDARD.len());
    for entry in list {
        let n = i16::try_from(entry["n"].as_i64().unwrap()).unwrap();
        assert_eq!(standard_text(n), entry["text"].as_str(), "{n}");
        assert_eq!(event_bit(n).map(u64::from), entry["esr_bit"].as_u64(), "{n}");
        let wire = ScpiError::new(n).to_wire();
        assert_eq!(wire, format!("{n},\"{}\"", entry["text"].as_str().unwrap()));
    }
}

#[test]
fn every_class_sets_its_event_bit() {
    for (class, bit) in errors()["classes_to_ESR_bit"].as_object().unwrap() {
        let first = class.split(' ').next().unwrap();
        let (from, to) = first.split_once("..").unwrap();
        for n in [from, to] {
            let n: i16 = n.parse().unwrap();
            assert_eq!(event_bit(n).map(u64::from), bit.as_u64(), "{n}");
        }
    }
    assert_eq!(event_bit(17), Some(3));
    assert_eq!(event_bit(-99), None);
}

/// The message that shows an example which the data gives in words.
fn spelled_out(example: &str) -> String {
    match example {
        "octal with digit 9" => "DATA #Q19".into(),
        "|exponent| > 32000" => "DATA 1E32001".into(),
        "mantissa > 255 digits excluding leading zeros" => format!("DATA 00{}", "1".repeat(256)),
        "mnemonic > 12 characters" => "ABCDEFGHIJKLM 1".into(),
        "suffix > 12 characters" => "DATA 1 ABCDEFGHIJKLM".into(),
        "character data > 12 characters" => "DATA ABCDEFGHIJKLM".into(),
        message => message.into(),
    }
}

#[test]
fn every_example_raises_its_error() {
    let all = errors();
    for example in all["examples_given_with_the_errors"].as_array().unwrap() {
        let mut rig = Rig::default();
        let mut interpreter = interpreter();
        let reply = match example[1].as_str().unwrap() {
            "END before closing quote" => {
                interpreter.feed(&mut rig, b"DATA \"abc");
                interpreter.end(&mut rig)
            }
            "END before block length satisfied" => {
                interpreter.feed(&mut rig, b"DATA #15abc");
                interpreter.end(&mut rig)
            }
            text => ask(&mut interpreter, &mut rig, &spelled_out(text)).into_bytes(),
        };
        assert!(reply.is_empty(), "{example}");
        let entry = interpreter.status.queue.pop().unwrap();
        assert_eq!(i64::from(entry.number), example[0].as_i64().unwrap(), "{example}: {entry}");
        assert!(interpreter.status.queue.is_empty(), "{example}");
    }
}

#[test]
fn limits_allow_exactly_what_the_standard_allows() {
    let mut rig = Rig::default();
    let mut interpreter = interpreter();
    for good in [
        format!("DATA 00{}", "1".repeat(255)),
        "DATA 1E32000".to_owned(),
        "DATA 1E-32000".to_owned(),
        "DATA ABCDEFGHIJKL".to_owned(),
        "DATA 1 ABCDEFGHIJKL".to_owned(),
    ] {
        ask(&mut interpreter, &mut rig, &good);
        assert!(interpreter.status.queue.pop().is_none(), "{good}");
    }
}

#[test]
fn information_is_quoted_printable_and_cut_at_255_characters() {
    let wire = ScpiError::with_info(-222, format!("say \"hi\"\n{}", "x".repeat(400))).to_wire();
    assert!(wire.starts_with("-222,\"Data out of range;say \"\"hi\"\".xxx"));
    assert_eq!(wire.replace("\"\"", "'").len(), "-222,\"\"".len() + 255);
}
