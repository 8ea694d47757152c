//! A conversation under faults: no answer is ever taken for another's, and every failure says what happened. The
//! rules tested are those of IEEE 488.2 (message exchange) and SCPI-1999 (error queue, 9.91E37).

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod fake;

use std::time::Duration;

use fake::{Fake, Quirk};
use proptest::prelude::*;
use wattproof_instruments::{ErrorCheck, Fault, InstrumentError, Resync, Session, SessionSettings};
use wattproof_link::LinkError;

fn session(fake: &Fake) -> Session {
    Session::new(fake.link(), "psu", SessionSettings::default())
}

fn ask(session: &mut Session, question: &str) -> Result<f64, InstrumentError> {
    session.query(question)?.number()
}

fn fault<T: std::fmt::Debug>(outcome: Result<T, InstrumentError>) -> Fault {
    *outcome.unwrap_err().fault
}

#[test]
fn a_late_answer_is_never_taken_for_the_next_one() {
    let fake = Fake::new(&[]);
    let mut session = session(&fake);
    fake.quirk("COUNT?", Quirk::Late(Duration::from_millis(1400)));
    let late = ask(&mut session, "COUNT?").unwrap_err();
    assert_eq!(late.link(), Some(&LinkError::TimedOut));
    assert!(!session.is_in_step());
    // 1001 arrives during or before this question, whose own answer is 1002.
    assert_eq!(ask(&mut session, "COUNT?").unwrap(), 1002.0);
    assert_eq!(session.steps_lost(), 1);
}

fn any_quirk() -> impl Strategy<Value = Option<Quirk>> {
    prop_oneof![
        3 => Just(None),
        3 => (0u64..2500).prop_map(|ms| Some(Quirk::Late(Duration::from_millis(ms)))),
        1 => Just(Some(Quirk::Silent)),
        1 => Just(Some(Quirk::Followed(b"77\n".to_vec()))),
        1 => Just(Some(Quirk::Followed(b"7".to_vec()))),
        1 => (1usize..4).prop_map(|size| Some(Quirk::Dribble(size))),
        1 => proptest::collection::vec(any::<u8>(), 0..40).prop_map(|raw| Some(Quirk::Raw(raw))),
    ]
}

// Only the newest question's number may come back. Raw bytes replace the answer itself, so their value is free.
proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn whatever_goes_wrong_an_answer_belongs_to_its_question(quirks in proptest::collection::vec(any_quirk(), 1..12)) {
        let fake = Fake::new(&[]);
        let mut session = session(&fake);
        for quirk in quirks {
            let garbled = matches!(quirk, Some(Quirk::Raw(_)));
            if let Some(quirk) = quirk {
                fake.quirk("COUNT?", quirk);
            }
            if let Ok(value) = ask(&mut session, "COUNT?") {
                let newest = fake.with(|state| 1000.0 + f64::from(state.count));
                prop_assert!(garbled || value == newest, "{} for {}", value, newest);
            }
            // A fault that was arranged but never met must not spill into the next question.
            fake.with(|state| state.quirks.clear());
        }
        // When the faults end, the session works again.
        let value = ask(&mut session, "COUNT?").or_else(|_| ask(&mut session, "COUNT?")).unwrap();
        prop_assert_eq!(value, fake.with(|state| 1000.0 + f64::from(state.count)));
    }
}

#[test]
fn a_stale_answer_equal_to_the_nonce_does_not_fool_the_session() {
    let fake = Fake::new(&[("B", "5")]);
    let mut session = session(&fake);
    // Two answers look like the nonce: one of them is stale, so neither counts and another nonce is tried.
    fake.quirk("*ESE?", Quirk::Raw(b"97\n97\n".to_vec()));
    fake.quirk("*ESE?", Quirk::Then(Duration::from_millis(50), b"194\n".to_vec()));
    assert_eq!(ask(&mut session, "B?").unwrap(), 5.0);
    let tried = fake.with(|state| state.log.iter().filter(|message| message.ends_with(";*ESE?")).count());
    assert_eq!(tried, 3);
}

#[test]
fn bytes_nobody_asked_for_are_thrown_away_before_a_question() {
    let fake = Fake::new(&[("A", "1"), ("B", "2")]);
    let mut session = session(&fake);
    assert_eq!(ask(&mut session, "A?").unwrap(), 1.0);
    fake.quirk("B?", Quirk::Followed(b"999\n".to_vec()));
    assert!(matches!(fault(ask(&mut session, "B?")), Fault::Surplus(left) if left == "999\\n"));
    assert_eq!(ask(&mut session, "A?").unwrap(), 1.0);
    assert_eq!(session.steps_lost(), 1);
}

#[test]
fn a_partial_answer_times_out_and_is_shown() {
    let fake = Fake::new(&[("A", "1")]);
    let mut session = session(&fake);
    fake.quirk("A?", Quirk::Raw(b"12.".to_vec()));
    let error = ask(&mut session, "A?").unwrap_err();
    assert_eq!(error.link(), Some(&LinkError::TimedOut));
    let text = error.to_string();
    for part in ["psu", "fake port", "A?", "\"12.\""] {
        assert!(text.contains(part), "{text}");
    }
    assert_eq!(ask(&mut session, "A?").unwrap(), 1.0);
}

#[test]
fn the_deadline_is_for_the_exchange_not_for_each_byte() {
    let slow = "1".repeat(3000);
    let fake = Fake::new(&[("A", &slow)]);
    let mut session = session(&fake);
    let before = {
        session.resynchronise().unwrap();
        session.now()
    };
    fake.quirk("A?", Quirk::Dribble(1));
    assert!(matches!(fault(ask(&mut session, "A?")), Fault::Link { cause: LinkError::TimedOut, .. }));
    assert_eq!(session.now() - before, Duration::from_millis(1000));
}

#[test]
fn what_is_no_number_is_an_error() {
    for (answer, ok) in [
        ("1.5", Some(1.5)),
        ("+1.5E+00", Some(1.5)),
        ("-3", Some(-3.0)),
        (".5", Some(0.5)),
        ("12\r", Some(12.0)),
        ("9.91E37", None),
        ("9.9E37", None),
        ("-9.9E+37", None),
        ("NAN", None),
        ("INF", None),
        ("1e400", None),
        ("1,5", None),
        ("1.5V", None),
        ("", None),
        ("1.5 1.6", None),
        ("--1", None),
        ("0x10", None),
    ] {
        let fake = Fake::new(&[("A", answer)]);
        let outcome = ask(&mut session(&fake), "A?");
        assert_eq!(outcome.as_ref().ok().copied(), ok, "{answer:?}: {outcome:?}");
    }
    let fake = Fake::new(&[("A", "9.91E37")]);
    let error = ask(&mut session(&fake), "A?").unwrap_err();
    assert!(error.to_string().contains("not a number"), "{error}");
}

#[test]
fn bytes_that_are_no_text_are_shown_escaped() {
    let fake = Fake::new(&[]);
    let mut session = session(&fake);
    fake.quirk("A?", Quirk::Raw(b"\xff\x001.5\n".to_vec()));
    fake.with(|state| state.values.insert("A".into(), "1".into()));
    let error = ask(&mut session, "A?").unwrap_err();
    assert!(matches!(&*error.fault, Fault::NotText(shown) if shown == "\\xff\\x001.5"), "{error}");
    assert!(error.remedy().contains("baud"));
}

#[test]
fn echo_is_told_as_echo() {
    let fake = Fake::new(&[("A", "1")]);
    fake.quirk("*ESE?", Quirk::Silent);
    let settings =
        SessionSettings { resync: Resync::Drain, next_error: String::new(), ..SessionSettings::default() };
    let mut session = Session::new(fake.link(), "psu", settings);
    session.resynchronise().unwrap();
    fake.quirk("A?", Quirk::Raw(b"A?\n".to_vec()));
    assert_eq!(fault(session.query("A?")), Fault::Echo);
    assert!(!session.is_in_step());
}

#[test]
fn an_echoing_instrument_does_not_get_into_step_unnoticed() {
    let fake = Fake::new(&[("A", "1")]);
    fake.with(|state| state.echo = true);
    let outcome = session(&fake).query("A?").and_then(|answer| answer.number());
    assert!(outcome.is_err(), "{outcome:?}");
}

#[test]
fn the_error_queue_is_read_to_its_end_and_reported() {
    let fake = Fake::new(&[]);
    let settings = SessionSettings { error_check: ErrorCheck::Each, ..SessionSettings::default() };
    let mut session = Session::new(fake.link(), "psu", settings);
    session.resynchronise().unwrap();
    fake.with(|state| {
        state.refuses.insert("VOLT 999".into(), "-222,\"Data out of range;\"\"VOLT\"\"\"".into());
        state.errors.push_back("-350,\"Queue overflow\"".into());
    });
    let error = session.write("VOLT 999").unwrap_err();
    assert_eq!(error.number(), Some(-350));
    match &*error.fault {
        Fault::Reported(errors) => {
            assert_eq!(errors.len(), 2);
            assert_eq!((errors[1].number, errors[1].text.as_str()), (-222, "Data out of range;\"VOLT\""));
        }
        other => panic!("{other:?}"),
    }
    assert!(session.is_in_step());
    session.write("VOLT 9").unwrap();
}

#[test]
fn a_block_arrives_whole_however_it_is_cut() {
    // Bytes written by hand from IEEE 488.2, 8.7.9: #, digits of the length, length, data with a line feed in it.
    let payload = b"ab\ncd\"#e;f,";
    for size in 1..20 {
        let fake = Fake::new(&[("BLK", "x")]);
        fake.with(|state| state.values.insert("BLK".into(), "#211ab\ncd\"#e;f,".into()));
        let mut session = session(&fake);
        fake.quirk("BLK?", Quirk::Dribble(size));
        let timeout = Duration::from_millis(500);
        assert_eq!(session.query_block("BLK?", payload.len(), timeout).unwrap(), payload);
        let short = fault(session.query_block("BLK?", 12, timeout));
        assert_eq!(short, Fault::BlockSize { expected_bytes: 12, found_bytes: 11 });
    }
}

#[test]
fn a_block_with_a_lying_header_fails_and_the_session_recovers() {
    for raw in [
        &b"#212ab\ncd\"#e;f,\n"[..],
        b"#210ab\ncd\"#e;f,\n",
        b"#2xxab\n",
        b"12\n",
        b"#0ab\n",
        b"#9999999999ab\n",
    ] {
        let fake = Fake::new(&[("BLK", "x"), ("A", "1")]);
        let mut session = session(&fake);
        fake.quirk("BLK?", Quirk::Raw(raw.to_vec()));
        let outcome = session.query_block("BLK?", 11, Duration::from_millis(200));
        assert!(outcome.is_err(), "{:?}", raw.escape_ascii().to_string());
        assert_eq!(ask(&mut session, "A?").unwrap(), 1.0);
    }
}

#[test]
fn an_endless_answer_is_cut_off() {
    let endless = "1".repeat(200_000);
    let fake = Fake::new(&[("A", &endless), ("B", "2")]);
    let mut session = session(&fake);
    assert!(matches!(fault(session.query("A?")), Fault::TooLong { .. }));
    assert_eq!(ask(&mut session, "B?").unwrap(), 2.0);
}

#[test]
fn an_instrument_that_does_not_answer_is_out_of_step_in_bounded_time() {
    let fake = Fake::new(&[]);
    fake.with(|state| state.dead = true);
    let mut session = session(&fake);
    let error = session.query("A?").unwrap_err();
    assert!(matches!(&*error.fault, Fault::OutOfStep(_)), "{error}");
    assert!(session.now() < Duration::from_secs(10), "{:?}", session.now());
    // The question itself was never sent.
    assert!(fake.messages().is_empty());
}

#[test]
fn the_event_enable_register_is_restored() {
    let fake = Fake::new(&[("A", "1")]);
    let mut session = session(&fake);
    session.set_event_enable(60).unwrap();
    session.resynchronise().unwrap();
    assert_eq!(ask(&mut session, "*ESE?").unwrap(), 60.0);
}

#[test]
fn a_cancelled_exchange_says_so_and_loses_step() {
    let fake = Fake::new(&[("A", "1")]);
    let mut session = session(&fake);
    session.resynchronise().unwrap();
    let canceller = session.canceller();
    canceller.cancel();
    assert_eq!(session.query("A?").unwrap_err().link(), Some(&LinkError::Cancelled));
    canceller.clear();
    assert_eq!(ask(&mut session, "A?").unwrap(), 1.0);
    assert_eq!(session.steps_lost(), 1);
}
