//! Values that stand exactly on a limit: inclusive maxima pass, as the bench file says. Source: the project's own
//! rules.

#![allow(clippy::unwrap_used, reason = "a test helper fails by panicking")]

mod support;

use support::*;
use wattproof_guard::*;

#[test]
fn a_step_of_the_level_is_judged_in_decibels() {
    // 6 dB at most, from a tenth of the maximum on: 20 log10(1.99) is 5.98 dB, 20 log10(2.01) is 6.06 dB.
    for (ratio, passes) in [(1.5, true), (1.99, true), (2.01, false), (3.0, false)] {
        let mut guard = running();
        guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.3 }).unwrap();
        let up = Command::SourceLevel { level_vrms: 0.3 * ratio };
        assert_eq!(guard.permit(0.0, &up).is_ok(), passes, "{ratio}");
    }
    // Below a tenth of the maximum any step up to there passes; down any step passes; while off any step passes.
    let mut guard = running();
    guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.001 }).unwrap();
    guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.39 }).unwrap();
    guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.0 }).unwrap();
    guard.source_off(0.0, true);
    guard.permit(0.0, &Command::SourceLevel { level_vrms: 2.0 }).unwrap();
    assert!(running().permit(0.0, &Command::SourceLevel { level_vrms: 2.0 }).is_err());
    // The level before is that of the louder part, or of the sum.
    let mut guard = running();
    guard.permit(0.0, &Command::SourceBurst { level_vrms: 0.1, rest_vrms: 0.3 }).unwrap();
    guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.59 }).unwrap();
    let mut guard = running();
    guard.permit(0.0, &Command::SourceTwoTone { level_vrms: 0.1, second_vrms: 0.2, second_hz: 7e3 }).unwrap();
    guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.59 }).unwrap();
}

/// A sine's crest factor is √2 (definition): noise of 4 reaches what a sine of 2.83 times its level does.
#[test]
fn noise_is_judged_by_the_sine_of_its_peaks() {
    let passes =
        |level_vrms: f64, crest: f64| armed().permit(0.0, &Command::noise(level_vrms, crest)).is_ok();
    assert!(passes(0.70, 4.0) && !passes(0.71, 4.0));
    assert!(passes(1.41, 2.0) && !passes(1.42, 2.0));
    // Flatter than a sine: its own level counts.
    assert!(passes(2.0, 1.2) && !passes(2.001, 1.2));
    for crest in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -4.0, 0.0, 0.99] {
        assert!(!passes(0.1, crest), "{crest}");
    }
    for level_vrms in [f64::NAN, f64::INFINITY, -0.1] {
        assert!(!passes(level_vrms, 4.0), "{level_vrms}");
    }
}

#[test]
fn commands_on_their_limits_pass() {
    for command in [
        Command::SupplyVolts { volts_v: 16.0 },
        Command::SupplyVolts { volts_v: 0.0 },
        Command::SupplyAmps { amps_a: 80.0 },
        Command::SupplyAmps { amps_a: 0.0 },
        Command::LoadOhm { load_ohm: 1.0 },
        Command::SourceLevel { level_vrms: 0.0 },
        Command::SourceFrequency { hz: 1e3 },
    ] {
        assert!(running().permit(0.0, &command).is_ok(), "{command:?}");
    }
    assert!(armed().permit(0.0, &Command::SourceLevel { level_vrms: 2.0 }).is_ok());
}

#[test]
fn readings_on_their_limits_pass_and_a_trifle_more_does_not() {
    let more = 1.0 + 1e-9;
    for (on, beyond) in [
        (
            SafetyReading { out_vrms: Some(50.0), ..healthy(0.0) },
            SafetyReading { out_vrms: Some(50.0 * more), ..healthy(0.0) },
        ),
        (
            SafetyReading { out_w: Some(500.0), ..healthy(0.0) },
            SafetyReading { out_w: Some(500.0 * more), ..healthy(0.0) },
        ),
        (
            SafetyReading { dc_v: Some(-2.0), ..healthy(0.0) },
            SafetyReading { dc_v: Some(-2.0 * more), ..healthy(0.0) },
        ),
        (
            SafetyReading { supply_a: Some(80.0), ..healthy(0.0) },
            SafetyReading { supply_a: Some(80.0 * more), ..healthy(0.0) },
        ),
        // The supply's own meter and setting may be off by 2 %.
        (
            SafetyReading { supply_v: Some(16.3), ..healthy(0.0) },
            SafetyReading { supply_v: Some(16.33), ..healthy(0.0) },
        ),
    ] {
        assert_eq!(running().observe(0.0, &on), None, "{on:?}");
        assert!(running().observe(0.0, &beyond).is_some(), "{beyond:?}");
    }
}

#[test]
fn times_on_their_limits_pass() {
    let mut guard = tripping();
    guard.tick(1.0);
    assert_eq!(guard.state(), State::Tripping);
    let mut guard = running();
    assert_eq!(guard.tick(2.0), None);
    // A reset may rest on what was seen a minute ago.
    let mut guard = tripped();
    guard.observe(1.0, &dead(1.0));
    let nonce = guard.trip().unwrap().nonce;
    assert!(guard.reset(61.0, nonce).is_ok());
    // A clock seen half a second late by another thread.
    let mut guard = running();
    guard.tick(1.0);
    assert_eq!(guard.tick(0.5), None);
    guard.tick(1.5);
    // What one late thread says does not set the time back for the next.
    let mut guard = running();
    guard.observe(1.0, &healthy(1.0));
    guard.tick(0.6);
    assert_eq!((guard.tick(0.55), guard.tick(0.4).is_some()), (None, true), "0.6 s behind the latest");
}

#[test]
fn silence_and_sensors_on_their_limits() {
    let mut guard = running();
    guard.source_off(0.0, true);
    let live = SafetyReading { out_vrms: Some(1.5), ..healthy(0.5) };
    assert!(guard.observe(0.5, &live).is_some(), "half a second is long enough");
    let mut guard = running();
    guard.source_off(0.0, true);
    let quiet = SafetyReading { out_vrms: Some(1.0), ..healthy(0.5) };
    assert_eq!(guard.observe(0.5, &quiet), None);
    // Off and off again: silent since the first.
    let mut guard = running();
    guard.source_off(0.0, true);
    guard.source_off(0.4, true);
    assert!(guard.observe(0.6, &SafetyReading { asked_s: Some(0.6), ..live }).is_some());

    let mut slope = running();
    slope.tighten(&Limits { heatsink_c_per_s_max: Some(0.5), ..limits() });
    for i in 0..40 {
        let reading = SafetyReading { heatsink_c: Some(8.0 + 0.5 * f64::from(i)), ..healthy(f64::from(i)) };
        assert_eq!(slope.observe(f64::from(i), &reading), None);
    }
    // 10 °C and 5 °C/s, late in a run as well as early.
    for (c, trips) in [(18.9, false), (19.1, true), (-2.9, false), (-3.1, true)] {
        let mut guard = running();
        (1..=30).for_each(|i| assert_eq!(guard.observe(f64::from(i), &healthy(f64::from(i))), None));
        let reading = SafetyReading { heatsink_c: Some(c), ..healthy(30.2) };
        assert_eq!(guard.observe(30.2, &reading).is_some(), trips, "{c}");
    }
    // Two threads' readings may arrive in the wrong order.
    let mut guard = running();
    guard.observe(1.0, &healthy(1.0));
    assert_eq!(guard.observe(1.0, &SafetyReading { heatsink_c: Some(17.0), ..healthy(0.2) }), None);
    let cold = SafetyReading { heatsink_c: Some(-40.0), ..healthy(20.0) };
    let mut guard = armed();
    (1..20).for_each(|i| {
        let c = 8.0 - 2.5 * f64::from(i);
        guard.observe(
            f64::from(i),
            &SafetyReading { heatsink_c: Some(c.max(-40.0)), ..healthy(f64::from(i)) },
        );
    });
    assert_eq!(guard.observe(20.0, &cold), None);
}

#[test]
fn load_and_balance_on_their_limits() {
    let with_load = |vrms: f64, arms: f64| {
        let mut guard = running();
        guard.permit(0.0, &Command::LoadOhm { load_ohm: 4.0 }).unwrap();
        guard
            .observe(0.2, &SafetyReading { out_vrms: Some(vrms), out_arms: Some(arms), ..healthy(0.2) })
            .is_some()
    };
    // Twice, and a twentieth of the limits of 50 V and 25 A.
    for (vrms, arms, trips) in [(10.5, 1.0, false), (10.6, 1.0, true), (2.0, 2.25, false), (2.0, 2.3, true)] {
        assert_eq!(with_load(vrms, arms), trips, "{vrms} V, {arms} A");
    }
    let balance = |out_w: f64, at_s: f64| {
        let mut guard = running();
        let each = |at_s| SafetyReading {
            together_w: Some(out_w),
            supply_v: Some(10.0),
            supply_a: Some(8.0),
            ..healthy(at_s)
        };
        guard.observe(0.5, &each(0.5));
        guard.observe(at_s, &each(at_s)).is_some()
    };
    // 1.25 times 80 W, and a fifth of 50 W; for one second.
    for (out_w, at_s, trips) in [(110.0, 1.5, false), (110.1, 1.5, true), (110.1, 1.4, false)] {
        assert_eq!(balance(out_w, at_s), trips, "{out_w} W for {at_s} s");
    }
}

#[test]
fn a_frozen_current_is_told_from_one_in_its_limit_and_from_too_few_readings() {
    let step = |i: u32, span_w: f64, amps_a: f64| SafetyReading {
        together_w: Some(if i.is_multiple_of(2) { 40.0 } else { 40.0 + span_w }),
        supply_v: Some(14.4),
        supply_a: Some(amps_a),
        ..healthy(f64::from(i))
    };
    let trips = |count: u32, span_w: f64, amps_a: f64, limit_a: f64| {
        let mut guard = running();
        guard.permit(0.0, &Command::SupplyAmps { amps_a: limit_a }).unwrap();
        (0..count).any(|i| guard.observe(f64::from(i), &step(i, span_w, amps_a)).is_some())
    };
    assert!(trips(6, 25.0, 9.5, 80.0));
    assert!(!trips(5, 25.0, 9.5, 80.0));
    assert!(!trips(20, 24.9, 9.5, 80.0));
    assert!(!trips(20, 25.0, 9.5, 10.0), "95 % of its limit");
    assert!(trips(20, 25.0, 9.4, 10.0));
}

#[test]
fn the_tighter_of_two_limits_holds_for_each() {
    let a = limits();
    let halves = Limits {
        out_vrms_max: 25.0,
        out_arms_max: 12.5,
        out_w_max: 250.0,
        dc_v_max: 1.0,
        supply_v_max: 8.0,
        supply_a_max: 40.0,
        heatsink_c_max: 45.0,
        source_vrms_max: 1.0,
        source_step_db_max: 3.0,
        load_ohm_min: 2.0,
        power_s_max: 15.0,
        power_w_from: 25.0,
        reading_age_s_max: 1.0,
        heatsink_c_per_s_max: Some(0.5),
        idle_vrms_max: Some(0.5),
        switch_on_per_min_max: Some(5.0),
    };
    assert_eq!(a.tightened(&halves), halves);
    assert_eq!(halves.tightened(&a), halves);
    // What stands nowhere has its default, which nothing loosens.
    let none = a.tightened(&Limits { idle_vrms_max: Some(9.0), switch_on_per_min_max: Some(1e3), ..a });
    assert_eq!((none.idle_vrms_max, none.switch_on_per_min_max), (Some(1.0), Some(240.0)));
    let not_a_number = Limits { heatsink_c_per_s_max: Some(f64::NAN), ..a };
    assert_eq!(a.tightened(&not_a_number).heatsink_c_per_s_max, None);
    for broken in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(Limits { heatsink_c_per_s_max: Some(broken), ..a }.check().is_err(), "{broken}");
        assert!(Limits { load_ohm_min: broken, ..a }.check().is_err(), "{broken}");
    }
    assert!(halves.check().is_ok());
}

#[test]
fn what_was_seen_at_the_moment_of_the_cause_or_during_an_alarm_speaks_for_a_reset() {
    let mut guard = tripped();
    guard.observe(0.0, &dead(0.0));
    let nonce = guard.trip().unwrap().nonce;
    assert!(guard.reset(0.1, nonce).is_ok());
    let mut guard = alarmed();
    guard.observe(1.2, &dead(1.2));
    guard.tick(1.3);
    confirm_off(&mut guard, 1.4);
    let nonce = guard.trip().unwrap().nonce;
    assert!(guard.reset(1.5, nonce).is_ok());
}

#[test]
fn a_heatsink_may_stand_still_while_its_heat_does() {
    let mut guard = running();
    for i in 0..60 {
        let (amps_a, out_w) = if i % 6 < 3 { (1.0, 5.0) } else { (2.0, 19.4) };
        let reading = SafetyReading {
            together_w: Some(out_w),
            supply_v: Some(14.4),
            supply_a: Some(amps_a),
            heatsink_c: Some(if i == 1 { 8.01 } else { 8.0 }),
            ..healthy(f64::from(i))
        };
        assert_eq!(guard.observe(f64::from(i), &reading), None);
    }
}

#[test]
fn what_was_seen_before_the_trip_says_nothing_for_the_reset() {
    let mut guard = running();
    guard.observe(0.1, &dead(0.1));
    guard.fault(0.1 + 1e-9, stop());
    confirm_off(&mut guard, 0.2);
    let nonce = guard.trip().unwrap().nonce;
    assert!(matches!(guard.reset(0.3, nonce), Err(Refusal::CauseStands(_))));
}

#[test]
fn only_a_source_that_is_confirmed_off_counts_as_silent() {
    for (output, off, silent) in
        [(Output::Source, true, true), (Output::Source, false, false), (Output::Supply, true, false)]
    {
        let mut guard = running();
        guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.3 }).unwrap();
        guard.confirm(0.1, output, off);
        let jump = Command::SourceLevel { level_vrms: 2.0 };
        assert_eq!(guard.permit(0.1, &jump).is_ok(), silent, "{output} {off}");
    }
}

#[test]
fn dead_is_less_than_the_limits_of_dead_and_cold_is_down_to_forty_below() {
    for (reading, resets) in [
        (SafetyReading { supply_a: Some(DEAD_A), ..dead(0.1) }, false),
        (SafetyReading { supply_a: Some(-DEAD_A), ..dead(0.1) }, false),
        (SafetyReading { supply_a: Some(-0.09), ..dead(0.1) }, true),
        (SafetyReading { out_vrms: Some(DEAD_VRMS), ..dead(0.1) }, false),
        (SafetyReading { out_vrms: Some(0.99), ..dead(0.1) }, true),
        (SafetyReading { heatsink_c: Some(90.0), ..dead(30.0) }, true),
        (SafetyReading { heatsink_c: Some(-40.0), ..dead(30.0) }, true),
    ] {
        let mut guard = tripped();
        let now_s = reading.asked_s.unwrap();
        guard.observe(now_s, &reading);
        let nonce = guard.trip().unwrap().nonce;
        assert_eq!(guard.reset(now_s, nonce).is_ok(), resets, "{reading:?}");
    }
}

#[test]
fn outputs_must_be_switched_off_wherever_they_may_be_live_and_must_not() {
    for (state, needs) in STATES.into_iter().zip([true, false, false, false, true, false, true]) {
        assert_eq!(in_state(state).needs_off(), needs, "{state:?}");
    }
    let mut guard = tripped();
    guard.doubt(0.1, Output::Source, Doubt::Step);
    assert!(guard.needs_off());
}

#[test]
fn each_run_starts_with_empty_books() {
    // Neither switch-ons nor a sensor's last value are carried from one run to the next.
    let mut guard = armed();
    guard.tighten(&Limits { switch_on_per_min_max: Some(2.0), ..limits() });
    for run in 0..3 {
        if run > 0 {
            guard.arm(0.1).unwrap();
        }
        guard.permit(0.1, &Command::SupplyOn).unwrap();
        guard.permit(0.1, &Command::SourceLevel { level_vrms: 0.1 }).unwrap();
        guard.permit(0.1, &Command::SourceOn).unwrap();
        confirm_off(&mut guard, 0.2);
        guard.disarm(0.2).unwrap();
    }
    let mut guard = armed();
    guard.disarm(0.1).unwrap();
    guard.arm(0.1).unwrap();
    assert_eq!(guard.observe(0.1, &SafetyReading { heatsink_c: Some(40.0), ..healthy(0.1) }), None);
}

#[test]
fn an_output_may_live_until_both_have_been_off_for_the_deadline() {
    let mut guard = tripping();
    guard.confirm(0.1, Output::Source, true);
    guard.confirm(0.9, Output::Supply, true);
    guard.observe(1.5, &SafetyReading { out_vrms: Some(3.0), ..dead(1.5) });
    assert_eq!(guard.state(), State::Tripped);
    guard.observe(1.9, &SafetyReading { out_vrms: Some(3.0), ..dead(1.9) });
    assert_eq!(guard.state(), State::Alarm);
}

#[test]
fn an_alarm_forgets_what_was_seen_before_it() {
    let mut guard = tripped();
    guard.observe(0.5, &dead(0.5));
    guard.observe(1.2, &SafetyReading { supply_a: Some(3.0), ..dead(1.2) });
    confirm_off(&mut guard, 1.3);
    guard.observe(1.4, &SafetyReading { out_vrms: None, ..dead(1.4) });
    assert_eq!(guard.state(), State::Alarm, "the output was seen dead before the alarm only");
}

#[test]
fn a_later_cause_takes_back_what_was_seen_and_asked_before_it() {
    let other = || TripCause::Instrument { what: "load on /dev/x: silent".into() };
    let mut guard = tripped();
    guard.observe(0.1, &dead(0.1));
    guard.fault(0.2, other());
    let nonce = guard.trip().unwrap().nonce;
    assert!(matches!(guard.reset(0.3, nonce), Err(Refusal::CauseStands(_))));
    guard.observe(0.4, &dead(0.1));
    assert!(matches!(guard.reset(0.4, nonce), Err(Refusal::CauseStands(_))));
    guard.observe(0.5, &dead(0.2));
    assert!(guard.reset(0.5, nonce).is_ok());
}

#[test]
fn a_second_alarm_for_the_same_reason_is_one_too() {
    let live = |at_s| SafetyReading { supply_a: Some(3.0), ..dead(at_s) };
    let mut guard = tripped();
    guard.observe(1.2, &live(1.2));
    confirm_off(&mut guard, 1.25);
    guard.observe(1.3, &dead(1.3));
    assert_eq!(guard.state(), State::Tripped);
    guard.observe(2.6, &live(2.6));
    assert_eq!(guard.state(), State::Alarm);
    confirm_off(&mut guard, 2.7);
    guard.observe(2.8, &SafetyReading { out_vrms: None, ..dead(2.8) });
    assert_eq!(guard.state(), State::Alarm, "the output was seen dead before this alarm only");
    guard.observe(2.9, &dead(2.5));
    assert_eq!(guard.state(), State::Alarm, "asked before this alarm");
    guard.observe(3.0, &dead(3.0));
    assert_eq!(guard.state(), State::Tripped);
}

#[test]
fn every_event_tells_the_time() {
    let mut guard = running();
    guard.doubt(100.0, Output::Source, Doubt::Step);
    assert!(matches!(guard.trip().unwrap().cause, TripCause::Clock { .. }));
    for confirm in [true, false] {
        let mut guard = running();
        guard.confirm(100.0, Output::Source, confirm);
        assert!(matches!(guard.trip().unwrap().cause, TripCause::Clock { .. }));
    }
    assert!(running().observe(100.0, &healthy(100.0)).is_some());
    // A reset on a clock that ran back finds nothing seen; on the new clock it is seen again.
    let mut guard = safe();
    guard.tick(100.0);
    guard.fault(100.0, stop());
    confirm_off(&mut guard, 100.0);
    guard.observe(100.0, &dead(100.0));
    let nonce = guard.trip().unwrap().nonce;
    assert!(matches!(guard.reset(50.0, nonce), Err(Refusal::CauseStands(_))));
    guard.observe(50.1, &dead(50.1));
    assert!(guard.reset(50.2, nonce).is_ok());
}

#[test]
fn a_sensor_on_the_edge_of_frozen_and_of_a_jump() {
    let reading = SafetyReading { heatsink_c: Some(18.0), ..healthy(0.0) };
    assert_eq!(running().observe(0.0, &reading), None, "10 °C at once");
    // A sensor that resolves 0.05 °C; the eighth of equal readings three seconds apart.
    let trips_at = |finest_c: f64| {
        let mut guard = Guard::new(Limits { reading_age_s_max: 5.0, ..limits() }, 1.0, 1);
        confirm_off(&mut guard, 0.0);
        guard.arm(0.0).unwrap();
        let first = SafetyReading { heatsink_c: Some(finest_c), ..healthy(0.0) };
        guard.observe(0.0, &first);
        guard.permit(0.0, &Command::SupplyOn).unwrap();
        (1..20u32).find(|i| {
            let at_s = 3.0 * f64::from(*i);
            let hot = i.is_multiple_of(2);
            let reading = SafetyReading {
                together_w: Some(if hot { 60.0 } else { 5.0 }),
                supply_v: Some(14.4),
                supply_a: Some(if hot { 8.0 + 0.01 * at_s } else { 1.0 }),
                heatsink_c: Some(0.0),
                ..healthy(at_s)
            };
            guard.observe(at_s, &reading).is_some()
        })
    };
    assert_eq!((trips_at(0.05), trips_at(0.06)), (Some(8), None));
}

/// What heats an amplifier is what it takes less what it gives, a product less a power: a sensor that stays the same over
/// that is frozen, one that stays the same while both are level is not.
#[test]
fn a_frozen_sensor_is_told_by_the_power_that_stays_in_the_amplifier() {
    let trips = |loud: (f64, f64)| {
        let mut guard = Guard::new(Limits { reading_age_s_max: 5.0, ..limits() }, 1.0, 1);
        confirm_off(&mut guard, 0.0);
        guard.arm(0.0).unwrap();
        // It was seen to resolve 0.04 °C.
        guard.observe(0.0, &SafetyReading { heatsink_c: Some(24.96), ..healthy(0.0) });
        guard.permit(0.0, &Command::SupplyOn).unwrap();
        (1..20u32).any(|i| {
            let at_s = 3.0 * f64::from(i);
            let (amps_a, together_w) = if i.is_multiple_of(2) { loud } else { (2.0, 20.0) };
            let reading = SafetyReading {
                together_w: Some(together_w),
                supply_v: Some(14.4),
                supply_a: Some(amps_a + 1e-3 * at_s),
                heatsink_c: Some(25.0),
                ..healthy(at_s)
            };
            guard.observe(at_s, &reading).is_some()
        })
    };
    // 14.4 V · 10 A - 28 W = 116 W stay, against 8.8 W.
    assert!(trips((10.0, 28.0)));
    // 14.4 V · 10 A - 135.2 W = 8.8 W stay as well.
    assert!(!trips((10.0, 135.2)));
}
