//! Temperatures beside the heatsink's: limit, freshness, and what a reset needs of each. Rules of the safety design
//! (freshness, latch); no outside source.

#![allow(clippy::unwrap_used, reason = "a test may stop at once")]

mod support;

use support::*;
use wattproof_guard::*;

/// Two with a limit, one between them without.
fn watching() -> [FurtherTemperature; 3] {
    let one = |name: &str, limit_c| FurtherTemperature { name: name.into(), limit_c };
    [one("load", Some(90.0)), one("room", None), one("supply", Some(70.0))]
}

fn read(asked_s: f64, of: [Option<f64>; 3]) -> SafetyReading {
    let mut further_c = [None; FURTHER_MAX];
    further_c[..3].copy_from_slice(&of);
    SafetyReading { further_c, ..healthy(asked_s) }
}

fn running_and_watching() -> Guard {
    let mut guard = safe();
    guard.watch_temperatures(watching());
    guard.arm(0.0).unwrap();
    assert!(guard.observe(0.0, &read(0.0, [Some(20.0), None, Some(20.0)])).is_none());
    guard.permit(0.0, &Command::SupplyOn).unwrap();
    guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.1 }).unwrap();
    guard.permit(0.0, &Command::SourceOn).unwrap();
    guard
}

#[test]
fn each_trips_by_its_own_limit_and_one_without_never() {
    for (of, limit) in [
        ([Some(90.1), None, None], Some("temperature load")),
        ([Some(f64::NAN), None, None], Some("temperature load")),
        ([Some(f64::INFINITY), None, None], Some("temperature load")),
        ([None, None, Some(70.1)], Some("temperature supply")),
        ([Some(-41.0), None, None], Some("sensor is detached")),
        ([Some(-40.0), None, None], None),
        ([Some(90.0), Some(1e6), Some(70.0)], None),
        ([Some(20.0), Some(f64::NAN), Some(20.0)], None),
    ] {
        let mut guard = running_and_watching();
        let trip = guard.observe(0.5, &read(0.5, of));
        let told = trip.map(|trip| trip.cause.to_string());
        assert_eq!(told.is_some(), limit.is_some(), "{of:?}: {told:?}");
        assert!(limit.is_none_or(|limit| told.as_ref().unwrap().contains(limit)), "{of:?}: {told:?}");
    }
}

#[test]
fn each_with_a_limit_must_be_fresh() {
    // Never read: nothing is switched on.
    let mut guard = safe();
    guard.watch_temperatures(watching());
    guard.arm(0.0).unwrap();
    guard.observe(0.0, &read(0.0, [Some(20.0), Some(20.0), None]));
    let refused = guard.permit(0.0, &Command::SupplyOn).unwrap_err().to_string();
    assert!(refused.contains("temperature supply"), "{refused}");
    // Not read any more: it trips although supply current and heatsink are young. Limit of these tests: 2 s.
    let mut guard = running_and_watching();
    for tenth in 1..=20 {
        let now_s = f64::from(tenth) / 10.0;
        let supply = (tenth == 1).then_some(20.0);
        assert!(guard.observe(now_s, &read(now_s, [Some(20.0), None, supply])).is_none(), "{now_s}");
    }
    let trip = guard.observe(2.2, &read(2.2, [Some(20.0), None, None])).unwrap();
    assert!(matches!(&trip.cause, TripCause::Stale { reading, .. } if reading == "temperature supply"));
    assert!(matches!(trip.cause, TripCause::Stale { age_s, .. } if (age_s - 2.1).abs() < 1e-12));
    assert!(guard.may_send(2.2, MessageKind::Feed).is_err(), "watchdogs are fed on fresh readings only");
}

#[test]
fn a_reset_needs_each_with_a_limit_seen_within_it() {
    let mut guard = running_and_watching();
    guard.observe(0.5, &read(0.5, [Some(95.0), None, Some(20.0)]));
    confirm_off(&mut guard, 0.6);
    let nonce = |guard: &Guard| guard.trip().unwrap().nonce;
    let dead_and =
        |asked_s: f64, of| SafetyReading { further_c: read(asked_s, of).further_c, ..dead(asked_s) };
    guard.observe(5.0, &dead_and(5.0, [Some(94.0), None, Some(20.0)]));
    let now = nonce(&guard);
    assert!(matches!(guard.reset(5.1, now), Err(Refusal::CauseStands(_))));
    // What was seen more than a minute ago counts for nothing.
    let mut later = guard.clone();
    later.observe(6.0, &dead_and(6.0, [Some(60.0), None, Some(20.0)]));
    later.observe(126.0, &dead(126.0));
    let now = nonce(&later);
    assert!(matches!(later.reset(126.1, now), Err(Refusal::CauseStands(_))));
    guard.observe(6.0, &dead_and(6.0, [Some(60.0), None, None]));
    guard.observe(6.1, &dead_and(6.1, [None, None, Some(20.0)]));
    let now = nonce(&guard);
    guard.reset(6.2, now).unwrap();
    assert_eq!(guard.state(), State::Safe);
}

/// A clock that ran back makes nothing young: each has to be read again before anything is switched on.
#[test]
fn after_a_clock_ran_back_each_with_a_limit_is_read_again() {
    for (again, passes) in [(None, false), (Some(20.0), true)] {
        let mut guard = safe();
        guard.watch_temperatures(watching());
        guard.observe(100.0, &read(100.0, [Some(20.0), None, Some(20.0)]));
        guard.tick(50.0);
        guard.arm(50.0).unwrap();
        guard.observe(50.1, &read(50.1, [again, None, again]));
        assert_eq!(guard.permit(50.1, &Command::SupplyOn).is_ok(), passes);
    }
}
