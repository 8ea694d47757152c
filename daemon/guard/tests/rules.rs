//! The guard's rules, one test each. Source of the rules: common practice for unattended benches, no source;
//! latch and reset behaviour after ISO 13849-1 clause on manual reset (from memory).

#![allow(clippy::unwrap_used, reason = "a test helper fails by panicking")]

mod support;

use support::{armed, boot, dead, healthy, limits, running, safe};
use wattproof_guard::*;

#[test]
fn nothing_is_energised_before_all_outputs_are_confirmed_off() {
    let mut guard = boot();
    assert!(guard.arm(0.0).is_err());
    guard.confirm(0.0, Output::Source, true);
    assert!(guard.arm(0.0).is_err());
    assert!(guard.permit(0.0, &Command::SupplyOn).is_err());
    guard.confirm(0.0, Output::Supply, false);
    assert_eq!(guard.state(), State::Boot);
    guard.confirm(0.0, Output::Supply, true);
    assert_eq!(guard.state(), State::Safe);
    assert!(guard.permit(0.0, &Command::SupplyOn).is_err());
}

#[test]
fn each_command_beyond_its_limit_trips() {
    for command in [
        Command::SourceLevel { level_vrms: 2.01 },
        Command::SourceLevel { level_vrms: f64::NAN },
        Command::SourceLevel { level_vrms: -0.1 },
        Command::SourceLevel { level_vrms: 0.5 },
        Command::SourceBurst { level_vrms: 2.01, rest_vrms: 0.1 },
        Command::SourceBurst { level_vrms: 0.1, rest_vrms: 2.01 },
        Command::SourceBurst { level_vrms: 0.5, rest_vrms: 0.05 },
        Command::SourceBurst { level_vrms: f64::NAN, rest_vrms: 0.1 },
        Command::SourceBurst { level_vrms: 0.1, rest_vrms: f64::NAN },
        Command::SourceBurst { level_vrms: 0.1, rest_vrms: -0.1 },
        Command::SourceTwoTone { level_vrms: 0.2, second_vrms: 0.21, second_hz: 7e3 },
        Command::SourceTwoTone { level_vrms: 1.5, second_vrms: 0.6, second_hz: 7e3 },
        Command::SourceTwoTone { level_vrms: 0.1, second_vrms: f64::NAN, second_hz: 7e3 },
        Command::SourceTwoTone { level_vrms: 0.1, second_vrms: 0.1, second_hz: f64::NAN },
        Command::SourceFrequency { hz: f64::INFINITY },
        Command::SupplyVolts { volts_v: 16.1 },
        Command::SupplyAmps { amps_a: 81.0 },
        Command::LoadOhm { load_ohm: 0.5 },
        Command::LoadOhm { load_ohm: f64::NAN },
    ] {
        let mut guard = running();
        assert!(matches!(guard.permit(0.1, &command), Err(Refusal::Tripped(_))), "{command:?}");
        assert_eq!(guard.state(), State::Tripping);
        assert!(guard.permit(0.2, &Command::SourceOn).is_err());
    }
}

#[test]
fn each_reading_beyond_its_limit_trips() {
    let all = |value: f64| {
        [
            SafetyReading { out_vrms: Some(value), ..Default::default() },
            SafetyReading { out_arms: Some(value), ..Default::default() },
            SafetyReading { out_w: Some(value), ..Default::default() },
            SafetyReading { dc_v: Some(-value), ..Default::default() },
            SafetyReading { supply_v: Some(value), ..Default::default() },
            SafetyReading { supply_a: Some(value), ..Default::default() },
            SafetyReading { heatsink_c: Some(value), ..Default::default() },
        ]
    };
    for reading in all(1000.0).into_iter().chain(all(f64::NAN)) {
        let mut guard = running();
        assert!(guard.observe(0.1, &reading).is_some(), "{reading:?}");
    }
    for reading in all(1.0) {
        assert!(running().observe(0.1, &reading).is_none(), "{reading:?}");
    }
}

#[test]
fn stale_readings_and_too_long_at_power_trip() {
    let mut guard = running();
    assert!(guard.tick(1.9).is_none());
    assert!(matches!(guard.tick(2.1).unwrap().cause, TripCause::Stale { .. }));

    let loud = |now_s| SafetyReading { out_w: Some(100.0), ..healthy(now_s) };
    let mut guard = running();
    let tripped_at_s = (0..100).map(f64::from).find(|now_s| guard.observe(*now_s, &loud(*now_s)).is_some());
    assert_eq!(tripped_at_s, Some(31.0));
}

#[test]
fn a_trip_latches_until_reset_with_its_nonce() {
    let mut guard = running();
    let trip = guard.fault(1.0, TripCause::Stop { by: "test".into() }).unwrap();
    assert!(guard.fault(1.1, TripCause::Run { what: "later".into() }).is_none());
    let trip = Trip { nonce: guard.trip().unwrap().nonce, ..trip };
    assert!(guard.reset(1.1, trip.nonce).is_err(), "outputs not confirmed off yet");
    guard.confirm(1.2, Output::Source, true);
    guard.confirm(1.2, Output::Supply, true);
    assert_eq!(guard.state(), State::Tripped);
    assert!(guard.arm(1.3).is_err());
    assert!(guard.reset(1.3, trip.nonce + 1).is_err());
    assert_eq!(guard.reset(1.3, trip.nonce), Err(Refusal::CauseStands("supply current")));
    guard.observe(1.3, &dead(1.3));
    guard.reset(1.3, trip.nonce).unwrap();
    assert_eq!(guard.state(), State::Safe);
    assert!(guard.trip().is_none());
}

#[test]
fn an_output_not_confirmed_off_in_time_is_an_alarm() {
    let mut guard = running();
    guard.fault(1.0, TripCause::Stop { by: "test".into() });
    guard.confirm(1.1, Output::Source, true);
    guard.confirm(1.1, Output::Supply, false);
    guard.tick(1.9);
    assert_eq!(guard.state(), State::Tripping);
    guard.tick(2.1);
    assert_eq!(guard.state(), State::Alarm);
    guard.confirm(3.0, Output::Supply, true);
    assert_eq!(guard.state(), State::Tripped);
}

#[test]
fn a_run_ends_safe_only_when_all_is_confirmed_off() {
    let mut guard = running();
    guard.source_off(1.0, true);
    guard.confirm(1.0, Output::Supply, true);
    guard.disarm(1.0).unwrap();
    assert_eq!(guard.state(), State::Safe);
    let mut guard = running();
    guard.source_off(1.0, true);
    assert!(guard.disarm(1.0).is_err());
    assert_eq!(guard.state(), State::Tripping);
}

#[test]
fn limits_only_tighten_and_must_be_numbers() {
    let mut guard = safe();
    guard.tighten(&Limits { out_w_max: 900.0, heatsink_c_max: 70.0, load_ohm_min: 2.0, ..limits() });
    assert_eq!(guard.limits().out_w_max, 500.0);
    assert_eq!(guard.limits().heatsink_c_max, 70.0);
    assert_eq!(guard.limits().load_ohm_min, 2.0);
    assert!(Limits { out_w_max: f64::NAN, ..limits() }.check().is_err());
    assert!(limits().check().is_ok());
}

#[test]
fn time_at_power_counts_from_its_limit_on_and_only_while_the_source_plays() {
    let trips_at_s = |mut guard: Guard, out_w: &dyn Fn(f64) -> f64| {
        let each = |now_s: f64| SafetyReading { out_w: Some(out_w(now_s)), ..healthy(now_s) };
        (0..100).map(f64::from).find(|now_s| guard.observe(*now_s, &each(*now_s)).is_some())
    };
    assert_eq!(trips_at_s(running(), &|_| 50.0), Some(31.0));
    assert_eq!(trips_at_s(running(), &|_| 49.9), None);
    assert_eq!(trips_at_s(running(), &|now_s| if now_s < 5.0 { 1.0 } else { 60.0 }), Some(36.0));
    // A rest begins the time anew.
    assert_eq!(trips_at_s(running(), &|now_s| if now_s == 20.0 { 1.0 } else { 60.0 }), Some(52.0));
    let mut guard = running();
    guard.source_off(0.0, true);
    assert_eq!(trips_at_s(guard, &|_| 60.0), None);
    // The source's rest between steps ends it too.
    let mut guard = running();
    guard.observe(0.0, &SafetyReading { out_w: Some(60.0), ..healthy(0.0) });
    guard.source_off(1.0, true);
    guard.permit(1.0, &Command::SourceLevel { level_vrms: 0.1 }).unwrap();
    guard.permit(1.0, &Command::SourceOn).unwrap();
    assert_eq!((2..50).map(f64::from).find(|now_s| guard.observe(*now_s, &healthy(*now_s)).is_some()), None);
}

/// The project's own rule: what is not known to be off counts as on.
#[test]
fn an_off_that_was_not_read_back_leaves_the_source_playing_at_its_level() {
    let mut guard = running();
    let level = |level_vrms: f64| Command::SourceLevel { level_vrms };
    let (quiet, loud) = (limits().source_vrms_max / 10.0, limits().source_vrms_max);
    assert!(guard.permit(0.1, &level(quiet)).is_ok());
    guard.source_off(0.2, false);
    assert!(guard.permit(0.3, &level(loud)).is_err(), "a jump of 20 dB while it may play");
    let mut guard = running();
    assert!(guard.permit(0.1, &level(quiet)).is_ok());
    guard.source_off(0.2, true);
    assert!(guard.permit(0.3, &level(loud)).is_ok(), "it is off: the level may be set");
}

/// A person is told what is believed: an output that was switched on is on, not merely in doubt.
#[test]
fn an_output_switched_on_is_believed_on_until_it_is_doubted() {
    let mut guard = running();
    assert_eq!(guard.belief(Output::Supply), Belief::On);
    guard.doubt(0.0, Output::Supply, Doubt::Step);
    assert_eq!(guard.belief(Output::Supply), Belief::Unknown);
}

/// Numbers to quote at a reset differ from each other and from boot to boot. They are SplitMix64 (Steele, Lea, Flood,
/// OOPSLA 2014); these five, for the seed 1234567, stand with many public implementations of it (from memory).
#[test]
fn numbers_to_quote_are_those_of_the_published_generator() {
    let mut guard = Guard::new(limits(), 3.0, 1_234_567);
    let trip = guard.fault(0.0, TripCause::Stop { by: "a test".into() }).unwrap();
    let later: Vec<u64> = (0..4).map(|_| guard.renew_nonce().unwrap()).collect();
    assert_eq!(trip.nonce, 6_457_827_717_110_365_317);
    let published = [
        3_203_168_211_198_807_973,
        9_817_491_932_198_370_423,
        4_593_380_528_125_082_431,
        16_408_922_859_458_223_821,
    ];
    assert_eq!(later, published);
}

/// A rise in the largest steps allowed, as a run makes it, passes: rounding must not turn the limit itself into a breach.
#[test]
fn a_rise_in_steps_of_exactly_the_limit_passes() {
    let mut guard = running();
    let step = 10f64.powf(limits().source_step_db_max / 20.0);
    let mut level_vrms = limits().source_vrms_max / 10.0;
    while level_vrms * step <= limits().source_vrms_max {
        level_vrms *= step;
        guard.permit(0.0, &Command::SourceLevel { level_vrms }).unwrap();
    }
    assert!(level_vrms > 0.9, "{level_vrms} V: three steps from a tenth of 2 V");
}

/// Switching on is a jump from silence, and what the source was told before it was off says nothing: it is told anew. What a
/// tenth of the highest level allows on the way up, it allows here.
#[test]
fn the_source_is_switched_on_at_a_level_set_since_it_was_off_and_no_louder_than_a_step() {
    let first_vrms = 10f64.powf(limits().source_step_db_max / 20.0) * limits().source_vrms_max / 10.0;
    for (level_vrms, passes) in [(first_vrms, true), (first_vrms * 1.001, false)] {
        let mut guard = armed();
        guard.permit(0.0, &Command::SourceLevel { level_vrms }).unwrap();
        let on = guard.permit(0.0, &Command::SourceOn);
        assert_eq!(on.is_ok(), passes, "{on:?}");
        assert!(passes || on.unwrap_err().to_string().contains("source_step_db_max"));
    }
    let unknown = |guard: &mut Guard| {
        let told = guard.permit(0.0, &Command::SourceOn).unwrap_err().to_string();
        assert!(told.contains("before its level was set"), "{told}");
        assert_eq!(guard.state(), State::Tripping);
    };
    unknown(&mut armed());
    let mut guard = running();
    guard.source_off(0.0, true);
    unknown(&mut guard);
    // Neither is it carried from one run to the next.
    let mut guard = armed();
    guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.1 }).unwrap();
    guard.disarm(0.0).unwrap();
    guard.arm(0.0).unwrap();
    unknown(&mut guard);
    // One that is on already takes no jump.
    let mut guard = running();
    for level_vrms in [0.39, 0.75, 1.4] {
        guard.permit(0.0, &Command::SourceLevel { level_vrms }).unwrap();
    }
    guard.permit(0.0, &Command::SourceOn).unwrap();
}
