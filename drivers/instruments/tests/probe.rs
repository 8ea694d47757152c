//! Who is on a port: every shipped dialect's instrument is found, by questions alone; and one is talked to by hand.
//!
//! The simulated instruments share no code with the dialects. `*IDN?` and its four fields are IEEE 488.2, 10.14; the
//! error queue and −113 (undefined header) SCPI-1999 volume 2, 21.8; blocks IEEE 488.2, 8.7.9.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod exchange;
mod fake;

use std::time::Duration;

use exchange::{Lines, Tap, simulated};
use fake::Fake;
use wattproof_instruments::{
    Asking, Dialect, Heard, Introduction, Role, Said, Sureness, Talk, shipped, shipped_all,
};

fn asking() -> Asking {
    Asking { bauds: vec![9600, 115_200], dialects: shipped_all().unwrap() }
}

fn somebody(heard: Heard) -> Introduction {
    match heard {
        Heard::Somebody(who) => who,
        other => panic!("nobody was found: {other:?}"),
    }
}

/// What was sent, line by line.
fn sent(lines: &Lines) -> Vec<String> {
    let sent: Vec<u8> =
        lines.lock().unwrap().iter().filter(|(way, _)| *way == '>').flat_map(|(_, b)| b.clone()).collect();
    let text = String::from_utf8(sent).unwrap();
    text.split(['\r', '\n']).filter(|line| !line.is_empty()).map(str::to_string).collect()
}

#[test]
fn every_instrument_is_found_by_questions_alone() {
    let asking = asking();
    let questions = asking.questions();
    for dialect in shipped_all().unwrap() {
        let lines = Lines::default();
        let tap = Tap { inner: simulated(&dialect), lines: lines.clone() };
        let who = somebody(asking.ask(Box::new(tap)).unwrap());
        let best = &who.proposals[0];
        assert_eq!((best.role, best.dialect.as_str()), (dialect.role, dialect.name.as_str()), "{who:?}");
        assert_eq!(best.sureness, Sureness::Likely, "{who:?}");
        // A tie would be a guess.
        let tie = who
            .proposals
            .iter()
            .skip(1)
            .any(|one| (one.sureness, one.answered) == (best.sureness, best.answered));
        assert!(!tie, "{}: {who:?}", dialect.name);
        // What a device is sent is a question of the notice, and nothing else: no setting, no `*ESE`, no `*CLS`.
        let sent = sent(&lines);
        assert!(sent.contains(&who.question));
        for line in sent {
            assert!(questions.contains(&line), "{}: sent {line:?}", dialect.name);
        }
    }
}

#[test]
fn a_dialect_that_names_its_instruments_is_sure() {
    let text = "identities = [\"Wattproof,virtual-supply\"]\n";
    let (_, supply) =
        wattproof_instruments::SHIPPED.iter().find(|(file, _)| *file == "scpi-supply.toml").unwrap();
    let own =
        Dialect::parse("own.toml", &format!("{text}{supply}").replace("\"scpi-supply\"", "\"own\"")).unwrap();
    let mut asking = asking();
    asking.dialects.push(own);
    let who = somebody(asking.ask(Box::new(simulated(&shipped("scpi-supply").unwrap()))).unwrap());
    let told: Vec<(&str, Sureness)> =
        who.proposals.iter().map(|one| (one.dialect.as_str(), one.sureness)).collect();
    assert_eq!(told[..2], [("own", Sureness::Sure), ("scpi-supply", Sureness::Likely)], "{who:?}");
    let told =
        Dialect::parse("own.toml", &format!("identities = [\" , \"]\n{supply}")).unwrap_err().to_string();
    assert!(told.starts_with("own.toml:1:15: an empty identity"), "{told}");
}

#[test]
fn nobody_and_something_are_told_apart() {
    let silent = Fake::new(&[]);
    silent.with(|state| state.dead = true);
    assert_eq!(asking().ask(silent.link()).unwrap(), Heard::Nothing);
    // An instrument that only sends back what it hears, in no form that a dialect knows.
    let echo = Fake::new(&[]);
    echo.with(|state| (state.echo, state.dead) = (true, true));
    assert!(matches!(asking().ask(echo.link()).unwrap(), Heard::Something(text) if text.contains("*IDN?")));
    // Somebody whom no dialect understands.
    let other = Fake::new(&[]);
    let who = somebody(asking().ask(other.link()).unwrap());
    assert_eq!((who.identity.as_str(), who.proposals.len()), ("Invented,Fake,7,1.0", 0));
}

#[test]
fn only_some_answers_leave_it_unsure() {
    let partly = Fake::new(&[("VOLT", "12"), ("CURR", "1"), ("OUTP", "0"), ("MEAS:VOLT", "12.0")]);
    let who = somebody(asking().ask(partly.link()).unwrap());
    let best = &who.proposals[0];
    assert_eq!((best.role, best.sureness), (Role::Supply, Sureness::Unsure), "{who:?}");
    assert!(best.answered < best.asked);
}

#[test]
fn a_person_sees_answers_errors_and_blocks() {
    let long = Duration::from_secs(10);
    let over = |name: &str| {
        let dialect = shipped(name).unwrap();
        Talk::new(Box::new(simulated(&dialect)), Some(dialect), long, true)
    };
    let mut supply = over("scpi-supply");
    let reply = supply.say("*IDN?").unwrap();
    assert!(matches!(reply.answer, Some(Said::Text(text)) if text.split(',').count() == 4));
    assert!(supply.say("VOLT 12.5").unwrap().answer.is_none());
    let volts = supply.say("VOLT?").unwrap().answer;
    assert!(matches!(volts, Some(Said::Text(text)) if text.parse() == Ok(12.5)));
    let errors = supply.say("NONSENSE 1").unwrap().errors;
    assert_eq!(errors.iter().map(|one| one.number).collect::<Vec<_>>(), [-113]);
    // A question without an answer fails, and what it caused can still be read.
    assert!(supply.say("NONSENSE?").is_err());
    assert_eq!(supply.errors().unwrap().iter().map(|one| one.number).collect::<Vec<_>>(), [-113]);
    assert!(supply.say("VOLT\u{e9}").unwrap_err().to_string().contains("printable ASCII"));
    let mut digitizer = over("scpi-digitizer");
    for message in ["SENS:SWE:POIN 16", "SENS:SWE:TINT 1e-5", "FORM INT,32", "INIT"] {
        assert!(digitizer.say(message).unwrap().errors.is_empty(), "{message}");
    }
    assert_eq!(digitizer.say("*OPC?").unwrap().answer, Some(Said::Text("1".into())));
    // 16 samples of 32 bits.
    assert!(
        matches!(digitizer.say("FETC? (@1)").unwrap().answer, Some(Said::Block(payload)) if payload.len() == 64)
    );
    // In a dialect without question marks, an error queue or common commands.
    let mut comma = over("comma-supply");
    assert!(matches!(comma.say("WHO").unwrap().answer, Some(Said::Text(_))));
    assert!(comma.errors().unwrap().is_empty());
    let mut kelvin = over("kelvin-thermometer");
    assert!(matches!(kelvin.say("T1").unwrap().answer, Some(Said::Text(text)) if text.ends_with('K')));
}

/// Nothing but what is typed leaves: not on opening, not on leaving, and no register is written to find back into step.
#[test]
fn only_what_is_typed_is_sent() {
    let dialect = shipped("scpi-supply").unwrap();
    let lines = Lines::default();
    let tap = Tap { inner: simulated(&dialect), lines: lines.clone() };
    let mut talk = Talk::new(Box::new(tap), Some(dialect), Duration::from_secs(1), true);
    talk.say("OUTP?").unwrap();
    assert!(talk.say("NONSENSE?").is_err());
    talk.say("OUTP?").unwrap();
    drop(talk);
    let sent = sent(&lines);
    assert_eq!(
        sent.iter().filter(|line| *line != "SYST:ERR?").collect::<Vec<_>>(),
        ["OUTP?", "NONSENSE?", "OUTP?"]
    );
}
