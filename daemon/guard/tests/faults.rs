//! What can go wrong, one test each, named by its number in the project's fault catalogue. Expected behaviour of
//! unattended benches: common practice, no source; SCPI-1999 volume 1, 7.2.1, for the codes of fault 18.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test helper fails by panicking")]

mod support;

use support::*;
use wattproof_guard::*;

fn contradicts(guard: &Guard, words: &str) -> bool {
    let trip = guard.trip().unwrap();
    let mut causes = std::iter::once(&trip.cause).chain(trip.evidence.iter().map(|e| &e.cause));
    causes.any(|cause| matches!(cause, TripCause::Contradiction { what } if what.contains(words)))
}

fn limit_of(cause: &TripCause) -> &str {
    match cause {
        TripCause::Limit { limit, .. } | TripCause::Asked { limit, .. } => limit,
        other => panic!("{other:?} is no limit"),
    }
}

/// Readings at these times and of these kinds; the first trip and when.
fn first_trip(guard: &mut Guard, readings: impl IntoIterator<Item = SafetyReading>) -> Option<(f64, Trip)> {
    readings.into_iter().find_map(|reading| {
        let now_s = reading.asked_s.unwrap();
        Some((now_s, guard.observe(now_s, &reading)?))
    })
}

#[test]
fn fault_06_an_output_read_back_off_counts_as_live_once_step_is_lost() {
    for doubt in [Doubt::Step, Doubt::Reconnected] {
        for output in Output::SAFE_ORDER {
            let mut guard = safe();
            assert_eq!(guard.belief(output), Belief::Off);
            let trip = guard.doubt(0.1, output, doubt).unwrap();
            assert!(matches!(trip.cause, TripCause::Instrument { .. }));
            assert_eq!(guard.belief(output), Belief::Unknown);
            assert!(guard.belief(output).may_be_live());
        }
    }
    let mut guard = running();
    guard.source_off(0.1, true);
    assert_eq!(guard.doubt(0.2, Output::Source, Doubt::Step), None);
    assert_eq!((guard.state(), guard.belief(Output::Source)), (State::Running, Belief::Unknown));
    guard.confirm(0.2, Output::Supply, true);
    assert!(guard.disarm(0.3).is_err(), "not off any more");
}

#[test]
fn fault_12_a_link_lost_after_the_trip_is_confirmed_anew_or_an_alarm() {
    let mut guard = tripped();
    guard.observe(0.1, &dead(0.1));
    guard.doubt(0.1, Output::Supply, Doubt::Reconnected);
    assert_eq!(guard.state(), State::Tripped);
    let nonce = guard.trip().unwrap().nonce;
    assert_eq!(guard.reset(0.2, nonce), Err(Refusal::NotOff(Output::Supply)));
    guard.tick(1.0);
    assert_eq!(guard.state(), State::Tripped);
    guard.tick(1.2);
    assert_eq!(guard.state(), State::Alarm);

    let mut guard = tripped();
    guard.doubt(0.1, Output::Supply, Doubt::Reconnected);
    guard.confirm(0.5, Output::Supply, true);
    guard.tick(1.2);
    assert_eq!(guard.state(), State::Tripped);
}

#[test]
fn fault_13_a_rebooted_instrument_trips_and_its_output_counts_as_live() {
    for state in [State::Safe, State::Armed, State::Running] {
        let mut guard = in_state(state);
        let trip = guard.doubt(0.1, Output::Supply, Doubt::Rebooted).unwrap();
        assert!(trip.cause.to_string().contains("supply was switched off and on"), "{trip:?}");
        assert_eq!(guard.belief(Output::Supply), Belief::Unknown);
        assert_eq!(guard.state(), State::Tripping);
    }
}

#[test]
fn fault_18_codes_for_no_number_are_no_reading() {
    for value in [9.91e37, 9.9e37, -9.9e37, f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let mut guard = running();
        let reading = SafetyReading { heatsink_c: Some(value), ..healthy(0.5) };
        assert!(guard.observe(0.5, &reading).is_some(), "heatsink {value}");
        let mut guard = running();
        let reading = SafetyReading { supply_a: Some(value.abs()), ..healthy(0.5) };
        assert!(guard.observe(0.5, &reading).is_some(), "supply {value}");
    }
}

#[test]
fn fault_21_a_supply_that_says_off_and_delivers_is_an_alarm_until_measured_dead() {
    let mut guard = tripped();
    let live = SafetyReading { supply_a: Some(3.0), ..healthy(0.4) };
    guard.observe(0.4, &live);
    assert_eq!(guard.state(), State::Tripped, "its meter may lag");
    guard.observe(0.6, &SafetyReading { asked_s: Some(0.6), ..live });
    assert_eq!((guard.state(), guard.belief(Output::Supply)), (State::Alarm, Belief::Unknown));
    assert!(contradicts(&guard, "delivers 3.00 A"));
    // Its word alone does not count any more.
    confirm_off(&mut guard, 1.2);
    assert_eq!((guard.state(), guard.belief(Output::Supply)), (State::Alarm, Belief::Unknown));
    guard.observe(1.3, &dead(0.55));
    assert_eq!(guard.state(), State::Alarm, "measured before the alarm");
    guard.observe(1.4, &SafetyReading { out_vrms: None, ..dead(1.4) });
    assert_eq!(guard.state(), State::Alarm, "current alone");
    guard.observe(1.5, &dead(1.5));
    assert_eq!((guard.state(), guard.belief(Output::Supply)), (State::Tripped, Belief::Off));
}

#[test]
fn fault_21_an_output_live_with_everything_off_is_an_alarm_in_every_state_that_believes_it_off() {
    // ALARM is there at the deadline, not a look after it; a supply's own current ends sooner.
    let mut guard = tripped();
    guard.observe(0.6, &SafetyReading { out_vrms: Some(1.0), ..dead(0.6) });
    assert_eq!(guard.state(), State::Tripped, "stored charge may still feed the output");
    guard.observe(0.75, &SafetyReading { out_vrms: Some(1.0), ..dead(0.75) });
    assert_eq!(guard.state(), State::Alarm);
    let mut guard = tripped();
    guard.observe(0.55, &SafetyReading { supply_a: Some(0.1), ..dead(0.55) });
    assert_eq!(guard.state(), State::Alarm);
    // A supply that is on with its source off may well be live.
    let mut guard = running();
    guard.source_off(0.1, true);
    guard.tick(1.5);
    guard.observe(1.6, &SafetyReading { supply_a: Some(3.0), ..healthy(1.6) });
    assert_eq!(guard.state(), State::Running);
    for state in [State::Safe, State::Armed, State::Tripped] {
        let mut guard = in_state(state);
        guard.observe(1.2, &SafetyReading { out_vrms: Some(12.0), ..dead(1.2) });
        assert_eq!(guard.state(), State::Alarm, "{state:?}");
        assert!(contradicts(&guard, "carries 12.00 V rms"));
    }
}

#[test]
fn fault_22_clears_leave_only_with_every_output_confirmed_off() {
    for (state, allowed) in [
        (State::Boot, false),
        (State::Safe, true),
        (State::Armed, true),
        (State::Running, false),
        (State::Tripping, false),
        (State::Tripped, true),
        (State::Alarm, false),
    ] {
        assert_eq!(in_state(state).may_send(0.0, MessageKind::Clear).is_ok(), allowed, "{state:?}");
    }
    let mut guard = alarmed();
    guard.confirm(1.2, Output::Source, true);
    assert!(guard.may_send(1.2, MessageKind::Clear).is_err());
    guard.confirm(1.2, Output::Supply, true);
    assert!(guard.may_send(1.2, MessageKind::Clear).is_ok());
}

#[test]
fn fault_24_an_output_switched_on_at_its_front_panel_trips_or_is_due() {
    for state in [State::Safe, State::Armed] {
        let mut guard = in_state(state);
        guard.confirm(0.1, Output::Supply, false);
        assert_eq!(guard.state(), State::Tripping, "{state:?}");
        assert!(guard.trip().unwrap().cause.to_string().contains("nothing switched it on"));
    }
    let mut guard = tripped();
    guard.confirm(0.1, Output::Supply, false);
    assert_eq!(guard.state(), State::Tripped);
    guard.tick(1.2);
    assert_eq!(guard.state(), State::Alarm);
}

#[test]
fn fault_25_a_supply_current_that_stands_still_while_power_changes_is_frozen() {
    let step = |index: u32, amps_a: f64| {
        let together_w = 60.0 + 8.0 * f64::from(index);
        SafetyReading {
            together_w: Some(together_w),
            supply_v: Some(14.4),
            supply_a: Some(amps_a),
            ..healthy(f64::from(index))
        }
    };
    let (at_s, trip) = first_trip(&mut running(), (0..20).map(|i| step(i, 12.345))).unwrap();
    // Six readings of the same current, and 40 W between the first and the sixth.
    assert_eq!(at_s, 5.0);
    assert!(trip.cause.to_string().contains("frozen"), "{trip:?}");
    // The last digit moves: a real meter.
    let real = (0..15).map(|i| step(i, 12.345 + 0.001 * f64::from(i % 3)));
    assert!(first_trip(&mut running(), real).is_none());
    // The power stands still too.
    let still = (0..20).map(|i| SafetyReading { together_w: Some(60.0), ..step(i, 12.345) });
    assert!(first_trip(&mut running(), still).is_none());
    // In current limit the current stands still for a reason.
    let mut guard = running();
    guard.permit(0.0, &Command::SupplyAmps { amps_a: 12.5 }).unwrap();
    assert!(first_trip(&mut guard, (0..15).map(|i| step(i, 12.345))).is_none());
}

#[test]
fn fault_25_a_fine_heatsink_sensor_that_stands_still_while_its_heat_changes_is_frozen() {
    let step = |index: u32, c: f64| SafetyReading {
        together_w: Some(if index % 6 < 3 { 5.0 } else { 60.0 }),
        supply_v: Some(14.4),
        supply_a: Some(if index % 6 < 3 { 1.0 } else { 8.0 + 0.01 * f64::from(index) }),
        heatsink_c: Some(c),
        ..healthy(f64::from(index))
    };
    let fine = |i: u32| step(i, if i == 1 { 8.01 } else { 8.0 });
    let (at_s, trip) = first_trip(&mut running(), (0..60).map(fine)).unwrap();
    // Since the second reading, for 20 s.
    assert_eq!(at_s, 22.0);
    assert!(trip.cause.to_string().contains("heatsink sensor told the same"), "{trip:?}");
    // A sensor of whole degrees may stand still for minutes.
    assert!(first_trip(&mut running(), (0..60).map(|i| step(i, 8.0))).is_none());
    let coarse = |i: u32| step(i, if i == 1 { 9.0 } else { 8.0 });
    assert!(first_trip(&mut running(), (0..60).map(coarse)).is_none());
    // Nothing changes: it may stand still.
    let steady = (0..60).map(|i| SafetyReading { together_w: Some(5.0), supply_a: Some(1.0), ..fine(i) });
    assert!(first_trip(&mut running(), steady).is_none());
}

#[test]
fn fault_26_outputs_that_give_more_than_the_supply_for_longer_than_charge_lasts_trip() {
    let odd = |at_s| SafetyReading { supply_a: Some(2.0), ..at_power(at_s) };
    let mut guard = running();
    assert!(guard.observe(0.1, &odd(0.1)).is_none(), "stored charge");
    let trip = guard.observe(1.2, &odd(1.2)).unwrap();
    assert!(trip.cause.to_string().contains("disagree"), "{trip:?}");
    assert!(trip.cause.outlasts_restart());
    // A balance found again in between.
    let mut guard = running();
    let between = [odd(0.1), at_power(0.6), odd(1.2), at_power(1.8)];
    assert!(first_trip(&mut guard, between).is_none());
}

/// Where only one of the supply's voltage and current was read, its power is not known, and nothing disagrees with it.
#[test]
fn fault_26_half_a_supply_reading_contradicts_nothing() {
    for half in
        [SafetyReading { supply_v: None, ..at_power(0.0) }, SafetyReading { supply_a: None, ..at_power(0.0) }]
    {
        let mut guard = running();
        for n in 0..15 {
            let at_s = 0.1 * f64::from(n);
            let reading = SafetyReading { asked_s: Some(at_s), together_w: Some(450.0), ..half };
            assert!(guard.observe(at_s, &reading).is_none(), "{:?}", guard.trip());
        }
    }
}

#[test]
fn fault_27_a_load_far_from_what_was_commanded_trips() {
    for (vrms, arms, word) in
        [(2.0, 5.0, Some("shorted")), (20.0, 0.1, Some("open")), (20.0, 5.0, None), (0.02, 0.3, None)]
    {
        let mut guard = running();
        guard.permit(0.0, &Command::LoadOhm { load_ohm: 4.0 }).unwrap();
        let reading = SafetyReading { out_vrms: Some(vrms), out_arms: Some(arms), ..healthy(0.2) };
        let trip = guard.observe(0.2, &reading);
        match word {
            Some(word) => assert!(trip.unwrap().cause.to_string().contains(word)),
            None => assert_eq!(trip, None, "{vrms} V, {arms} A"),
        }
    }
    // No load commanded, nothing to compare with.
    let reading = SafetyReading { out_vrms: Some(2.0), out_arms: Some(5.0), ..healthy(0.2) };
    assert!(running().observe(0.2, &reading).is_none());
}

#[test]
fn fault_28_a_heatsink_that_rises_too_fast_trips_before_it_is_too_hot() {
    let slope = Limits { heatsink_c_per_s_max: Some(0.5), ..limits() };
    let run = |c_per_s: f64| {
        let mut guard = running();
        guard.tighten(&slope);
        let readings = (0..40).map(|i| SafetyReading {
            heatsink_c: Some(8.0 + c_per_s * f64::from(i)),
            ..healthy(f64::from(i))
        });
        first_trip(&mut guard, readings)
    };
    let (at_s, trip) = run(0.6).unwrap();
    assert_eq!((at_s, limit_of(&trip.cause)), (5.0, "heatsink_c_per_s_max"));
    assert!(run(0.49).is_none());
    // A steep rise is seen before its five seconds are over.
    assert_eq!(run(2.0).unwrap().0, 2.0);
    // Each span of five seconds counts by itself: slow at first, fast later.
    let mut guard = running();
    guard.tighten(&slope);
    let bend = |i: u32| if i <= 30 { 8.0 } else { 8.0 + 0.8 * f64::from(i - 30) };
    let readings = (0..40).map(|i| SafetyReading { heatsink_c: Some(bend(i)), ..healthy(f64::from(i)) });
    assert_eq!(first_trip(&mut guard, readings).unwrap().0, 34.0);
}

#[test]
fn fault_28_a_heatsink_too_hot_trips() {
    let mut guard = running();
    let hot = SafetyReading { heatsink_c: Some(90.1), ..healthy(60.0) };
    let warm = (1..30)
        .map(|i| SafetyReading { heatsink_c: Some(8.0 + 3.0 * f64::from(i)), ..healthy(f64::from(i)) });
    let (at_s, trip) = first_trip(&mut guard, warm.chain([hot])).unwrap();
    assert_eq!((at_s, limit_of(&trip.cause)), (28.0, "heatsink_c_max"));
}

#[test]
fn fault_29_an_output_that_carries_something_while_nothing_is_played_trips() {
    let live = |at_s| SafetyReading { out_vrms: Some(1.2), dc_v: Some(0.1), ..healthy(at_s) };
    for zero_level in [false, true] {
        let mut guard = running();
        if zero_level {
            guard.permit(0.1, &Command::SourceLevel { level_vrms: 0.0 }).unwrap();
        } else {
            guard.source_off(0.1, true);
        }
        assert!(guard.observe(0.5, &live(0.5)).is_none(), "it may still ring");
        let trip = guard.observe(0.7, &live(0.7)).unwrap();
        assert_eq!(limit_of(&trip.cause), "idle_vrms_max");
    }
    // A tone is played.
    assert!(running().observe(0.7, &live(0.7)).is_none());
    // dc has its own limit.
    let mut guard = running();
    guard.source_off(0.1, true);
    let dc = SafetyReading { out_vrms: Some(1.5), dc_v: Some(1.45), ..healthy(0.7) };
    assert!(guard.observe(0.7, &dc).is_none());
    // The bench's own limit may be tighter.
    guard.tighten(&Limits { idle_vrms_max: Some(0.3), ..limits() });
    assert!(guard.observe(0.8, &SafetyReading { asked_s: Some(0.8), ..dc }).is_some());
    // Louder again: not silent any more.
    let mut guard = running();
    guard.source_off(0.1, true);
    guard.permit(0.2, &Command::SourceLevel { level_vrms: 0.1 }).unwrap();
    guard.permit(0.2, &Command::SourceOn).unwrap();
    assert!(guard.observe(0.9, &live(0.9)).is_none());
}

#[test]
fn fault_30_stored_charge_has_the_off_deadline_to_go() {
    let mut guard = tripped();
    let charged = |at_s| SafetyReading { out_vrms: Some(8.0), ..dead(at_s) };
    guard.observe(0.5, &charged(0.5));
    assert_eq!(guard.state(), State::Tripped);
    let nonce = guard.trip().unwrap().nonce;
    assert_eq!(guard.reset(0.6, nonce), Err(Refusal::CauseStands("output voltage")));
    guard.observe(0.9, &dead(0.9));
    assert!(guard.reset(1.0, nonce).is_ok());
    let mut guard = tripped();
    guard.observe(1.05, &charged(1.05));
    assert_eq!(guard.state(), State::Alarm);
}

#[test]
fn fault_31_a_sensor_that_fell_off_trips() {
    for (c, at_s) in [(-60.0, 0.2), (27.0, 0.2), (-10.0, 0.2)] {
        let mut guard = running();
        let trip = guard.observe(at_s, &SafetyReading { heatsink_c: Some(c), ..healthy(at_s) }).unwrap();
        assert!(trip.cause.to_string().contains("detached or broken"), "{trip:?}");
    }
    // 10 degrees and 5 more for each second are within what a heatsink can.
    for (c, at_s) in [(17.9, 0.2), (0.0, 0.2), (22.0, 1.0)] {
        let reading = SafetyReading { heatsink_c: Some(c), ..healthy(at_s) };
        assert_eq!(running().observe(at_s, &reading), None, "{c} °C after {at_s} s");
    }
}

#[test]
fn fault_34_setpoints_that_are_huge_or_no_numbers_never_pass() {
    for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1.0] {
        let commands = [
            Command::SourceLevel { level_vrms: value },
            Command::SourceBurst { level_vrms: value, rest_vrms: 0.0 },
            Command::SourceBurst { level_vrms: 0.0, rest_vrms: value },
            Command::SourceTwoTone { level_vrms: value, second_vrms: 0.0, second_hz: 1e3 },
            Command::SourceTwoTone { level_vrms: 0.0, second_vrms: value, second_hz: 1e3 },
            Command::SupplyVolts { volts_v: value },
            Command::SupplyAmps { amps_a: value },
        ];
        for command in commands {
            for mut guard in [armed(), running()] {
                let refused = guard.permit(0.1, &command).unwrap_err();
                let Refusal::Tripped(cause @ TripCause::Asked { .. }) = refused else {
                    panic!("{refused:?}")
                };
                assert!(!cause.outlasts_restart(), "nothing was sent");
                assert_eq!(guard.state(), State::Tripping);
            }
        }
    }
    for hz in [f64::NAN, f64::INFINITY, 0.0, -5.0] {
        assert!(armed().permit(0.1, &Command::SourceFrequency { hz }).is_err());
        let two = Command::SourceTwoTone { level_vrms: 0.1, second_vrms: 0.1, second_hz: hz };
        assert!(armed().permit(0.1, &two).is_err());
        assert!(armed().permit(0.1, &Command::LoadOhm { load_ohm: hz }).is_err());
    }
}

#[test]
fn fault_35_switching_on_too_often_within_a_minute_trips() {
    let count_until_trip = |each_s: f64, max: Option<f64>| {
        let mut guard = armed();
        guard.tighten(&Limits { switch_on_per_min_max: max, ..limits() });
        (1..400u32).find(|i| {
            let now_s = each_s * f64::from(*i);
            guard.observe(now_s, &healthy(now_s));
            guard.source_off(now_s, true);
            guard.permit(now_s, &Command::SourceLevel { level_vrms: 0.1 }).unwrap();
            guard.permit(now_s, &Command::SourceOn).is_err()
        })
    };
    assert_eq!(count_until_trip(0.1, Some(10.0)), Some(11));
    assert_eq!(count_until_trip(0.1, None), Some(241));
    // Ten within the minute: the eleventh comes when the first is a minute old.
    assert_eq!(count_until_trip(6.0 / 4.0, Some(40.0)), None);
    assert_eq!(count_until_trip(6.0 / 4.0, Some(39.0)), Some(40));
}

#[test]
fn fault_45_a_clock_that_stands_still_or_runs_back_trips_while_a_run_may_energise() {
    for state in [State::Armed, State::Running] {
        for (at_s, trips) in [(2.0, false), (2.1, true), (-0.4, false), (-0.6, true), (f64::NAN, true)] {
            let mut guard = in_state(state);
            guard.tick(at_s);
            let clock =
                |cause: &TripCause| matches!(cause, TripCause::Clock { .. } | TripCause::Stale { .. });
            assert_eq!(guard.trip().is_some_and(|trip| clock(&trip.cause)), trips, "{state:?} {at_s}");
        }
    }
    // Asleep for an hour while armed: no command passes.
    let mut guard = armed();
    assert!(guard.permit(3600.0, &Command::SourceLevel { level_vrms: 0.1 }).is_err());
    assert!(matches!(guard.trip().unwrap().cause, TripCause::Clock { gap_s } if gap_s == 3600.0));
    // With nothing to lose it is no fault.
    let mut guard = safe();
    guard.tick(3600.0);
    guard.tick(0.0);
    assert_eq!(guard.state(), State::Safe);
}

/// After a gap every deadline has passed: what is found then is kept beside the gap, not told in its place.
#[test]
fn fault_45_a_gap_comes_before_what_is_found_after_it() {
    let late = || TripCause::Instrument { what: "the supply did not answer".into() };
    for state in [State::Armed, State::Running] {
        let mut guard = in_state(state);
        let trip = guard.fault(6.0, late()).unwrap();
        assert_eq!(trip.cause, TripCause::Clock { gap_s: 6.0 });
        let kept = guard.trip().unwrap();
        assert_eq!(kept.evidence.iter().map(|one| one.cause.clone()).collect::<Vec<_>>(), [late()]);
        // Without one it is what it is; one after the trip is nothing new.
        let mut guard = in_state(state);
        assert_eq!(guard.fault(1.9, late()).unwrap().cause, late());
        assert!(guard.fault(9.0, stop()).is_none());
        assert_eq!(guard.trip().unwrap().evidence.len(), 1);
    }
    // Nobody has to look while nothing may be energised.
    assert_eq!(safe().fault(60.0, late()).unwrap().cause, late());
}

#[test]
fn fault_45_after_a_clock_ran_back_nothing_counts_as_fresh_and_deadlines_still_come() {
    let mut guard = safe();
    guard.observe(100.0, &healthy(100.0));
    guard.tick(50.0);
    guard.arm(50.0).unwrap();
    let refused = guard.permit(50.1, &Command::SupplyOn).unwrap_err();
    assert!(matches!(refused, Refusal::Tripped(TripCause::Stale { .. })), "{refused:?}");

    let mut guard = safe();
    guard.tick(100.0);
    guard.fault(100.0, stop());
    guard.tick(50.0);
    guard.tick(50.9);
    assert_eq!(guard.state(), State::Tripping);
    guard.tick(51.1);
    assert_eq!(guard.state(), State::Alarm);

    // What was seen on the old clock does not speak for a reset, what is seen on the new one does.
    let mut guard = tripped();
    guard.observe(100.0, &dead(100.0));
    guard.tick(50.0);
    let nonce = guard.trip().unwrap().nonce;
    assert!(guard.reset(50.1, nonce).is_err());
    guard.observe(50.1, &dead(50.1));
    assert!(guard.reset(50.2, nonce).is_ok());

    // Off since the new time: charge has its time again, then it counts.
    let mut guard = safe();
    guard.tick(100.0);
    guard.confirm(100.0, Output::Supply, false);
    confirm_off(&mut guard, 100.0);
    guard.tick(50.0);
    guard.observe(51.2, &SafetyReading { supply_a: Some(3.0), ..healthy(51.2) });
    assert_eq!(guard.state(), State::Alarm);
}

#[test]
fn fault_56_a_reset_needs_the_present_number_and_the_cause_gone() {
    let mut guard = running();
    let hot = SafetyReading { heatsink_c: Some(90.5), ..dead(0.1) };
    guard.observe(0.1, &hot);
    confirm_off(&mut guard, 0.2);
    let nonce = guard.trip().unwrap().nonce;
    guard.observe(0.3, &SafetyReading { asked_s: Some(0.3), ..hot });
    assert_eq!(guard.reset(0.4, nonce), Err(Refusal::CauseStands("heatsink temperature")));
    // Asked for before the trip: says nothing.
    guard.observe(0.4, &dead(0.05));
    assert_eq!(guard.reset(0.4, nonce), Err(Refusal::CauseStands("heatsink temperature")));
    guard.observe(0.5, &dead(0.5));
    assert_eq!(guard.reset(0.5, nonce ^ 1), Err(Refusal::Nonce));
    assert_eq!(guard.reset(60.6, nonce), Err(Refusal::CauseStands("supply current")), "seen too long ago");
    guard.observe(61.0, &dead(61.0));
    guard.reset(61.0, nonce).unwrap();
    assert_eq!(guard.state(), State::Safe);
    assert!(Output::SAFE_ORDER.into_iter().all(|output| guard.belief(output) == Belief::Off));
    // Replayed.
    guard.fault(62.0, stop());
    confirm_off(&mut guard, 62.0);
    guard.observe(62.1, &dead(62.1));
    assert_eq!(guard.reset(62.2, nonce), Err(Refusal::Nonce));
}

#[test]
fn fault_56_good_readings_are_taken_back_by_bad_ones() {
    for bad in [
        SafetyReading { supply_a: Some(0.2), ..healthy(0.3) },
        SafetyReading { out_vrms: Some(1.1), ..healthy(0.3) },
        SafetyReading { heatsink_c: Some(91.0), ..dead(0.3) },
        SafetyReading { heatsink_c: Some(-41.0), ..dead(0.3) },
    ] {
        let mut guard = tripped();
        guard.observe(0.2, &dead(0.2));
        guard.observe(0.3, &bad);
        let nonce = guard.trip().unwrap().nonce;
        assert!(matches!(guard.reset(0.4, nonce), Err(Refusal::CauseStands(_))), "{bad:?}");
        assert_eq!(guard.state(), State::Tripped);
    }
}

#[test]
fn fault_57_what_a_person_has_not_seen_makes_the_number_stale() {
    let mut guard = tripped();
    let first = guard.trip().unwrap().nonce;
    guard.fault(0.1, stop());
    assert_eq!(guard.trip().unwrap().nonce, first, "nothing new");
    guard.fault(0.2, TripCause::Instrument { what: "load on /dev/x: silent".into() });
    guard.observe(0.3, &dead(0.3));
    assert_eq!(guard.reset(0.3, first), Err(Refusal::Nonce));
    let second = guard.renew_nonce().unwrap();
    let third = guard.renew_nonce().unwrap();
    assert_eq!(guard.reset(0.3, second), Err(Refusal::Nonce));
    assert!(guard.reset(0.3, third).is_ok());
    assert_eq!(guard.renew_nonce(), None);
    assert!(guard.reset(0.3, third).is_err(), "a double click");
    // Another boot, another seed: other numbers.
    let mut other = Guard::new(limits(), 1.0, 8);
    other.fault(0.0, stop());
    assert_ne!(other.trip().unwrap().nonce, first);
}

#[test]
fn fault_58_a_limit_above_what_the_instrument_can_is_refused_at_arming() {
    let good = Ratings { source_vrms_max: Some(2.0), supply_v_max: Some(16.0), supply_a_max: Some(80.0) };
    let mut guard = safe();
    guard.rate(good);
    assert!(guard.arm(0.1).is_ok());
    for (ratings, named) in [
        (Ratings { source_vrms_max: Some(1.9), ..good }, "source_vrms_max"),
        (Ratings { supply_v_max: Some(15.9), ..good }, "supply_v_max"),
        (Ratings { supply_a_max: Some(f64::NAN), ..good }, "supply_a_max"),
    ] {
        let mut guard = safe();
        guard.rate(ratings);
        let refused = guard.arm(0.1).unwrap_err();
        assert!(matches!(refused, Refusal::Limits { limit, .. } if limit == named), "{refused:?}");
        assert_eq!(guard.state(), State::Safe);
    }
    let mut guard = Guard::new(Limits { dc_v_max: f64::NAN, ..limits() }, 1.0, 1);
    confirm_off(&mut guard, 0.0);
    assert!(matches!(guard.arm(0.1), Err(Refusal::Limits { limit: "dc_v_max", .. })));
}
