//! Every state against every event, as the table in the guard's state machine has it. Source of the transitions: the
//! project's own rules, after the latch and manual reset of ISO 13849-1 (from memory).

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test helper fails by panicking")]

mod support;

use State::*;
use support::*;
use wattproof_guard::*;

/// One event at 1.2 s or a little later; the name stands in the table's head.
fn apply(guard: &mut Guard, event: &str) {
    let now_s = 1.2;
    let nonce = guard.trip().map_or(0, |trip| trip.nonce);
    match event {
        "arm" => drop(guard.arm(now_s)),
        "permit" => drop(guard.permit(now_s, &Command::SourceLevel { level_vrms: 0.1 })),
        "permit on" => drop(guard.permit(now_s, &Command::SupplyOn)),
        "permit beyond" => drop(guard.permit(now_s, &Command::SourceLevel { level_vrms: 9.0 })),
        "healthy" => drop(guard.observe(now_s, &healthy(now_s))),
        "dead" => drop(guard.observe(now_s, &dead(now_s))),
        "beyond" => drop(guard.observe(now_s, &SafetyReading { dc_v: Some(5.0), ..dead(now_s) })),
        "live" => drop(guard.observe(now_s, &SafetyReading { supply_a: Some(5.0), ..dead(now_s) })),
        "fault" => drop(guard.fault(now_s, TripCause::Run { what: "x".into() })),
        "step" => drop(guard.doubt(now_s, Output::Source, Doubt::Step)),
        "reboot" => drop(guard.doubt(now_s, Output::Source, Doubt::Rebooted)),
        "all off" => confirm_off(guard, now_s),
        "not off" => guard.confirm(now_s, Output::Supply, false),
        "one off" => guard.confirm(now_s, Output::Supply, true),
        "source off" => guard.source_off(now_s, true),
        "disarm" => drop(guard.disarm(now_s)),
        "reset" => drop(guard.reset(now_s, nonce)),
        "reset wrong" => drop(guard.reset(now_s, nonce ^ 1)),
        "seen, reset" => {
            guard.observe(now_s, &dead(now_s));
            let _ = guard.reset(now_s, nonce);
        }
        "tick" => drop(guard.tick(now_s)),
        "late" => drop(guard.tick(9.0)),
        "twice late" => {
            guard.tick(9.0);
            guard.tick(19.0);
        }
        other => panic!("no event {other}"),
    }
}

/// Where each event leads from BOOT, SAFE, ARMED, RUNNING, TRIPPING, TRIPPED, ALARM.
const TABLE: [(&str, [State; 7]); 22] = [
    ("arm", [Boot, Armed, Armed, Running, Tripping, Tripped, Alarm]),
    ("permit", [Boot, Safe, Armed, Running, Tripping, Tripped, Alarm]),
    ("permit on", [Boot, Safe, Running, Running, Tripping, Tripped, Alarm]),
    ("permit beyond", [Boot, Safe, Tripping, Tripping, Tripping, Tripped, Alarm]),
    ("healthy", [Boot, Safe, Armed, Running, Alarm, Tripped, Alarm]),
    ("dead", [Boot, Safe, Armed, Running, Alarm, Tripped, Alarm]),
    ("beyond", [Tripping, Tripping, Tripping, Tripping, Tripping, Tripped, Alarm]),
    ("live", [Boot, Alarm, Alarm, Running, Alarm, Alarm, Alarm]),
    ("fault", [Tripping, Tripping, Tripping, Tripping, Tripping, Tripped, Alarm]),
    ("step", [Boot, Tripping, Tripping, Running, Tripping, Tripped, Alarm]),
    ("reboot", [Boot, Tripping, Tripping, Tripping, Tripping, Tripped, Alarm]),
    ("all off", [Safe, Safe, Armed, Running, Tripped, Tripped, Tripped]),
    ("not off", [Boot, Tripping, Tripping, Running, Alarm, Tripped, Alarm]),
    ("one off", [Boot, Safe, Armed, Running, Alarm, Tripped, Alarm]),
    ("source off", [Boot, Safe, Armed, Running, Alarm, Tripped, Alarm]),
    ("disarm", [Boot, Safe, Safe, Tripping, Tripping, Tripped, Alarm]),
    ("reset", [Boot, Safe, Armed, Running, Tripping, Tripped, Alarm]),
    ("reset wrong", [Boot, Safe, Armed, Running, Tripping, Tripped, Alarm]),
    ("seen, reset", [Boot, Safe, Armed, Running, Alarm, Safe, Alarm]),
    ("tick", [Boot, Safe, Armed, Running, Alarm, Tripped, Alarm]),
    ("late", [Boot, Safe, Tripping, Tripping, Alarm, Tripped, Alarm]),
    ("twice late", [Alarm, Safe, Alarm, Alarm, Alarm, Tripped, Alarm]),
];

#[test]
fn every_state_meets_every_event() {
    for (event, ends) in TABLE {
        for (state, end) in STATES.into_iter().zip(ends) {
            let mut guard = in_state(state);
            apply(&mut guard, event);
            assert_eq!(guard.state(), end, "{event} in {state:?}");
            let latched = matches!(end, Tripping | Tripped | Alarm);
            assert_eq!(guard.trip().is_some(), latched, "{event} in {state:?}");
            assert!(!latched || guard.permit(9.0, &Command::SourceOn).is_err(), "{event} in {state:?}");
        }
    }
}

#[test]
fn every_state_lets_only_its_kinds_of_message_leave() {
    use MessageKind::*;
    // Off, Query, Clear, Set, Feed, Energise.
    for (state, allowed) in [
        (Boot, [true, true, false, false, false, false]),
        (Safe, [true, true, true, true, false, false]),
        (Armed, [true, true, true, true, true, true]),
        (Running, [true, true, false, true, true, true]),
        (Tripping, [true, true, false, false, false, false]),
        (Tripped, [true, true, true, false, false, false]),
        (Alarm, [true, true, false, false, false, false]),
    ] {
        for (kind, allowed) in MessageKind::ALL.into_iter().zip(allowed) {
            assert_eq!(in_state(state).may_send(0.0, kind).is_ok(), allowed, "{kind:?} in {state:?}");
        }
    }
    assert_eq!(MessageKind::ALL, [Off, Query, Clear, Set, Feed, Energise]);
    // A watchdog is fed only while both readings are young.
    let mut guard = running();
    guard.tick(1.5);
    guard.observe(1.5, &SafetyReading { heatsink_c: None, ..healthy(1.5) });
    assert!(guard.may_send(1.9, Feed).is_ok());
    assert!(guard.may_send(2.1, Feed).is_err(), "the heatsink is too old");
    let mut guard = running();
    guard.tick(1.5);
    guard.observe(1.5, &SafetyReading { supply_a: None, ..healthy(1.5) });
    assert!(guard.may_send(2.1, Feed).is_err(), "the supply current is too old");
}

#[test]
fn each_safety_reading_ages_by_itself() {
    for (kept, aged) in [("heatsink", "supply current"), ("supply current", "heatsink")] {
        let mut guard = running();
        let trip = (1..10).map(|i| f64::from(i) * 0.5).find_map(|now_s| {
            let all = healthy(now_s);
            let one = match kept {
                "heatsink" => SafetyReading { supply_a: None, ..all },
                _ => SafetyReading { heatsink_c: None, ..all },
            };
            guard.observe(now_s, &one)
        });
        let TripCause::Stale { reading, age_s } = trip.unwrap().cause else { panic!("not stale") };
        assert_eq!((reading.as_str(), age_s), (aged, 2.5));
    }
    // Its age counts from the question.
    let mut guard = running();
    guard.tick(1.0);
    guard.observe(1.9, &healthy(0.5));
    assert!(guard.tick(2.6).is_some());
    // A question that would come later than its answer is taken as put at the answer.
    let mut guard = running();
    guard.tick(1.0);
    guard.observe(1.5, &healthy(100.0));
    guard.tick(3.0);
    assert!(guard.tick(3.6).is_some());
}

#[test]
fn nothing_is_switched_on_before_both_readings_are_there() {
    for command in [Command::SupplyOn, Command::SourceOn] {
        let mut guard = safe();
        guard.arm(0.0).unwrap();
        guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.1 }).unwrap();
        let refused = guard.permit(0.0, &command).unwrap_err();
        assert!(matches!(refused, Refusal::Tripped(TripCause::Stale { .. })), "{refused:?}");
    }
}

#[test]
fn a_restart_keeps_what_the_bench_did_and_forgets_what_a_person_or_script_did() {
    let latched = |cause: TripCause| {
        let mut guard = running();
        guard.fault(0.0, cause);
        let tripping = guard.latch();
        confirm_off(&mut guard, 0.0);
        assert_eq!(guard.latch(), tripping);
        tripping
    };
    let text = || "x".to_string();
    let number = |limit| (text(), limit, 1.0);
    let (limit, value, allowed) = number(2.0);
    for cause in [
        TripCause::Limit { limit, value, allowed },
        TripCause::Stale { reading: text(), age_s: 3.0 },
        TripCause::Contradiction { what: text() },
        TripCause::Clock { gap_s: 9.0 },
        TripCause::Instrument { what: text() },
    ] {
        let record = latched(cause.clone()).unwrap();
        assert_eq!((&record.cause, record.alarm), (&cause, false));
        let mut guard = Guard::restored(limits(), OFF_DEADLINE_S, 99, record.clone());
        assert_eq!((guard.state(), guard.latch()), (Tripped, Some(record)));
        assert_eq!(guard.belief(Output::Supply), Belief::Unknown);
        assert!(guard.arm(0.0).is_err());
        assert!(guard.permit(0.0, &Command::SupplyOn).is_err());
        let nonce = guard.trip().unwrap().nonce;
        assert_eq!(guard.reset(0.0, nonce), Err(Refusal::NotOff(Output::Source)));
        confirm_off(&mut guard, 0.1);
        guard.observe(0.2, &dead(0.2));
        guard.reset(0.2, nonce).unwrap();
        assert_eq!((guard.state(), guard.latch()), (Safe, None));
    }
    for cause in [
        TripCause::Stop { by: text() },
        TripCause::Run { what: text() },
        TripCause::Asked { limit: text(), value: 2.0, allowed: 1.0 },
    ] {
        assert_eq!(latched(cause.clone()), None, "{cause:?}");
        // With an alarm they do.
        let mut guard = running();
        guard.fault(0.0, cause.clone());
        guard.tick(1.1);
        let record = guard.latch().unwrap();
        assert!(record.alarm);
        let mut guard = Guard::restored(limits(), OFF_DEADLINE_S, 99, record);
        assert_eq!(guard.state(), Alarm);
        confirm_off(&mut guard, 0.1);
        assert_eq!(guard.state(), Tripped);
    }
}

#[test]
fn a_restored_trip_that_is_not_confirmed_off_becomes_an_alarm() {
    let record = {
        let mut guard = running();
        guard.fault(0.0, TripCause::Instrument { what: "x".into() });
        guard.latch().unwrap()
    };
    let mut guard = Guard::restored(limits(), OFF_DEADLINE_S, 99, record);
    guard.tick(500.0);
    assert_eq!(guard.state(), Tripped);
    guard.tick(501.1);
    assert_eq!(guard.state(), Alarm);
}

#[test]
fn later_causes_are_kept_beside_the_first_up_to_a_bound() {
    let mut guard = running();
    guard.fault(0.0, TripCause::Limit { limit: "a".into(), value: 2.0, allowed: 1.0 });
    let like_first = TripCause::Limit { limit: "a".into(), value: 3.0, allowed: 1.0 };
    assert_eq!(guard.fault(0.1, like_first), None);
    assert!(guard.trip().unwrap().evidence.is_empty());
    for number in 0..20 {
        let other = TripCause::Limit { limit: format!("{number}"), value: 2.0, allowed: 1.0 };
        guard.fault(0.2, other.clone());
        guard.fault(0.3, other);
    }
    let trip = guard.trip().unwrap();
    assert!(matches!(&trip.cause, TripCause::Limit { limit, value, .. } if limit == "a" && *value == 2.0));
    assert_eq!((trip.at_s, trip.evidence.len(), trip.evidence_more), (0.0, EVIDENCE_MAX, 8));
    assert_eq!(trip.evidence[0].at_s, 0.2);
    // The same kind, whatever the numbers; another kind is another.
    let mut guard = running();
    guard.fault(0.0, stop());
    for (cause, kept) in [
        (TripCause::Clock { gap_s: 3.0 }, 1),
        (TripCause::Clock { gap_s: 4.0 }, 1),
        (TripCause::Stale { reading: "a".into(), age_s: 3.0 }, 2),
        (TripCause::Stale { reading: "a".into(), age_s: 4.0 }, 2),
        (TripCause::Stale { reading: "b".into(), age_s: 4.0 }, 3),
        (TripCause::Asked { limit: "a".into(), value: 1.0, allowed: 0.0 }, 4),
        (TripCause::Asked { limit: "a".into(), value: 2.0, allowed: 0.0 }, 4),
        (TripCause::Limit { limit: "a".into(), value: 2.0, allowed: 0.0 }, 5),
        (TripCause::Run { what: "a".into() }, 6),
        (TripCause::Run { what: "b".into() }, 7),
    ] {
        guard.fault(0.1, cause.clone());
        assert_eq!(guard.trip().unwrap().evidence.len(), kept, "{cause:?}");
    }
}

#[test]
fn what_is_said_names_what_happened() {
    for (cause, words) in [
        (
            TripCause::Limit { limit: "l".into(), value: 2.5, allowed: 1.0 },
            "limit l: met 2.500000, allowed 1",
        ),
        (
            TripCause::Asked { limit: "l".into(), value: 2.5, allowed: 1.0 },
            "limit l: asked for 2.500000, allowed 1",
        ),
        (TripCause::Stale { reading: "heatsink".into(), age_s: 2.5 }, "the heatsink reading is 2.50 s old"),
        (TripCause::Clock { gap_s: 2.5 }, "the clock went 2.50 s"),
        (TripCause::Contradiction { what: "w".into() }, "w"),
        (TripCause::Instrument { what: "w".into() }, "w"),
        (TripCause::Run { what: "w".into() }, "w"),
        (TripCause::Stop { by: "w".into() }, "stopped by w"),
    ] {
        assert!(cause.to_string().starts_with(words), "{cause}");
    }
    let mut guard = tripped();
    let said = guard.arm(0.0).unwrap_err().to_string();
    assert!(said.contains("Tripped") && said.contains("stopped by test"), "{said}");
    assert_eq!(Output::Source.to_string() + &Output::Supply.to_string(), "sourcesupply");
    assert!(
        Doubt::Step.to_string().contains("step") && Doubt::Reconnected.to_string().contains("reconnected")
    );
}
