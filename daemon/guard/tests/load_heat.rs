//! What a load stands for ever and for a while, as a limit of the guard.
//!
//! Outside facts: a thermal overload relay's curve, t = τ·ln((I² − Ip²)/(I² − (k·Ib)²)) (IEC 60255-149, from memory),
//! with power for the square of the current; and the differential equation behind it, in steps of a millisecond.

#![allow(clippy::unwrap_used, reason = "a test may stop at once")]

mod support;

use support::*;
use wattproof_guard::*;

const DUTY: LoadDuty = LoadDuty { watts_max: 300.0, watts_continuous: 100.0, seconds_at_max: 10.0 };
/// Ohm, and an amplifier of 30 dB: 300 W at 1.0954 V.
const OHM: f64 = 4.0;
const GAIN: f64 = 31.622_776_601_683_793;

fn watts(level_vrms: f64) -> f64 {
    (GAIN * level_vrms).powi(2) / OHM
}

fn level(watts: f64) -> f64 {
    (watts * OHM).sqrt() / GAIN
}

/// A bench that runs with a load of this duty, cold, and its amplifier's gain known.
fn running(duty: LoadDuty) -> (Guard, f64) {
    let mut guard = safe();
    guard.limit_load(duty);
    let mut now_s = 0.0;
    guard.arm(now_s).unwrap();
    guard.permit(now_s, &Command::LoadOhm { load_ohm: OHM }).unwrap();
    guard.observe(now_s, &meters());
    guard.permit(now_s, &Command::SupplyOn).unwrap();
    // Cold after a day: the guard counts it as warm as it may be at first.
    pass(&mut guard, &mut now_s, 2000.0);
    guard.permit(now_s, &Command::SourceLevel { level_vrms: level(4.0) }).unwrap();
    guard.permit(now_s, &Command::SourceOn).unwrap();
    assert_eq!(play(&mut guard, now_s, 4.0), None);
    (guard, now_s)
}

fn meters() -> SafetyReading {
    SafetyReading { supply_a: Some(1.0), heatsink_c: Some(30.0), ..SafetyReading::default() }
}

fn pass(guard: &mut Guard, now_s: &mut f64, seconds: f64) {
    let until_s = *now_s + seconds;
    while *now_s < until_s {
        *now_s = (*now_s + 1.0).min(until_s);
        guard.observe(*now_s, &meters());
    }
}

/// A capture told this power.
fn play(guard: &mut Guard, now_s: f64, out_w: f64) -> Option<TripCause> {
    let reading = SafetyReading { out_w: Some(out_w), ..meters() };
    guard.observe(now_s, &reading).map(|trip| trip.cause)
}

/// Goes to a power in permitted steps.
fn raise(guard: &mut Guard, now_s: f64, watts: f64) -> Result<(), Refusal> {
    for share in [0.04, 0.15, 0.5] {
        guard.permit(now_s, &Command::SourceLevel { level_vrms: level(share * watts) })?;
    }
    // A hair below, so that rounding does not count.
    guard.permit(now_s, &Command::SourceLevel { level_vrms: (1.0 - 1e-9) * level(watts) })
}

/// Seconds from `now_s` until the guard trips, at most `most_s`.
fn until_trip(guard: &mut Guard, now_s: &mut f64, most_s: f64) -> Option<f64> {
    let from_s = *now_s;
    while *now_s < from_s + most_s {
        *now_s += 0.01;
        guard.observe(*now_s, &meters());
        if let Some(trip) = guard.trip() {
            assert!(trip.cause.to_string().contains("watts_continuous of the load"), "{}", trip.cause);
            return Some(*now_s - from_s);
        }
    }
    None
}

/// The relay's curve from cold, and what the bench file states: the highest power for the time stated.
#[test]
fn a_cold_load_takes_its_highest_power_for_the_time_stated_and_less_for_longer() {
    let tau_s = DUTY.tau_s().unwrap();
    for (power_w, expected_s) in
        [(300.0, 10.0), (200.0, tau_s * (200.0f64 / 100.0).ln()), (150.0, tau_s * (150.0f64 / 50.0).ln())]
    {
        let (mut guard, mut now_s) = running(DUTY);
        raise(&mut guard, now_s, power_w).unwrap();
        play(&mut guard, now_s, power_w);
        let room_s = guard.load_room_s(now_s, level(power_w), 1.0);
        assert!((room_s - expected_s).abs() < 0.01 * expected_s, "{power_w} W: {room_s} s, not {expected_s}");
        let tripped_s = until_trip(&mut guard, &mut now_s, 60.0).unwrap();
        assert!((tripped_s - expected_s).abs() < 0.02 * expected_s, "{power_w} W: {tripped_s} s");
    }
    // What it stands for ever it stands for ever; power_s_max of these limits would end it after 30 s at 50 W.
    let (mut guard, mut now_s) = running(DUTY);
    raise(&mut guard, now_s, 49.0).unwrap();
    play(&mut guard, now_s, 49.0);
    assert_eq!(until_trip(&mut guard, &mut now_s, 1000.0), None);
    assert_eq!(guard.load_room_s(now_s, level(99.9), 1.0), f64::INFINITY);
}

/// Any mixture of powers and rests: the guard trips where the differential equation says, and not before.
#[test]
fn warmth_follows_the_differential_equation() {
    let tau_s = DUTY.tau_s().unwrap();
    let (mut guard, mut now_s) = running(DUTY);
    let mut warm_w = 0.0;
    for (power_w, seconds) in [(250.0, 6.0), (20.0, 8.0), (290.0, 4.0), (1.0, 3.0), (280.0, 30.0)] {
        if raise(&mut guard, now_s, power_w).is_err() {
            break;
        }
        play(&mut guard, now_s, power_w);
        for step in 0..(seconds * 1000.0) as u32 {
            warm_w += (power_w - warm_w) * 1e-3 / tau_s;
            now_s += 1e-3;
            if step % 100 == 0 {
                guard.observe(now_s, &meters());
            }
            if warm_w > 100.3 {
                guard.observe(now_s, &meters());
                assert!(guard.trip().is_some(), "the load is at {warm_w} W and nothing happened");
                return;
            }
            assert!(guard.trip().is_none() || warm_w > 99.0, "too soon: {warm_w} W");
        }
    }
    panic!("the last power lasts longer than the load stands");
}

/// Nothing leaves that would give the load more than it stands: by the square of the level, and by the load.
#[test]
fn a_command_that_would_be_too_much_is_refused_before_it_is_sent() {
    let (mut guard, now_s) = running(DUTY);
    raise(&mut guard, now_s, 299.0).unwrap();
    let refused = guard.permit(now_s, &Command::SourceLevel { level_vrms: level(301.0) }).unwrap_err();
    assert!(refused.to_string().contains("watts_max of the load"), "{refused}");
    // Half the load takes twice the power.
    let (mut guard, now_s) = running(DUTY);
    raise(&mut guard, now_s, 160.0).unwrap();
    assert!(guard.permit(now_s, &Command::LoadOhm { load_ohm: OHM / 2.0 }).is_err());
    // Measured, however it came about.
    let (mut guard, now_s) = running(DUTY);
    let cause = play(&mut guard, now_s, 301.0).unwrap();
    assert!(cause.to_string().contains("watts_max of the load"), "{cause}");
}

/// Every way to drive it is judged by the loudest that it may come to: a burst by its loud part, whichever that is, two
/// tones by the sum of both, a source that was off by the load it is switched on to.
#[test]
fn bursts_two_tones_and_switching_on_are_refused_like_a_level() {
    let named = |refused: Result<(), Refusal>| {
        let told = refused.unwrap_err().to_string();
        assert!(told.contains("watts_max of the load"), "{told}");
    };
    let two = |power_w: f64, share: f64| Command::SourceTwoTone {
        level_vrms: (1.0 - share) * level(power_w),
        second_vrms: share * level(power_w),
        second_hz: 7000.0,
    };
    for (too_much, just_right) in [
        (
            Command::SourceBurst { level_vrms: level(301.0), rest_vrms: level(4.0) },
            Command::SourceBurst { level_vrms: level(299.5), rest_vrms: level(4.0) },
        ),
        (
            Command::SourceBurst { level_vrms: level(4.0), rest_vrms: level(301.0) },
            Command::SourceBurst { level_vrms: level(4.0), rest_vrms: level(299.5) },
        ),
        (two(301.0, 0.2), two(299.5, 0.2)),
    ] {
        let (mut guard, now_s) = running(DUTY);
        raise(&mut guard, now_s, 299.0).unwrap();
        guard.permit(now_s, &just_right).unwrap();
        named(guard.permit(now_s, &too_much));
    }
    // A source that is off gives a load that is too warm nothing, whatever its level; switching it on does. A duty that
    // is new says that the load is as warm as it may be.
    let small = LoadDuty { watts_max: 30.0, watts_continuous: 10.0, seconds_at_max: 10.0 };
    for (rest_s, rested) in [(0.0, false), (1.0, true)] {
        let (mut guard, mut now_s) = running(DUTY);
        guard.source_off(now_s, true);
        guard.limit_load(small);
        guard.permit(now_s, &Command::SourceLevel { level_vrms: level(20.0) }).unwrap();
        pass(&mut guard, &mut now_s, rest_s);
        match guard.permit(now_s, &Command::SourceOn) {
            Ok(()) => assert!(rested),
            Err(refused) => assert!(!rested && refused.to_string().contains("too warm"), "{refused}"),
        }
    }
}

/// A load that is as warm as it may be gets no more than it stands for ever, and going down is always let through.
#[test]
fn a_warm_load_is_given_time() {
    let (mut guard, mut now_s) = running(DUTY);
    raise(&mut guard, now_s, 300.0).unwrap();
    play(&mut guard, now_s, 300.0);
    pass(&mut guard, &mut now_s, 9.9);
    assert!(guard.trip().is_none());
    assert!(guard.load_room_s(now_s, level(300.0), 1.0) < 0.2);
    guard.permit(now_s, &Command::SourceLevel { level_vrms: level(290.0) }).unwrap();
    guard.source_off(now_s, true);
    let cool_s = guard.load_cool_s(now_s, level(300.0), 1.0, 5.0).unwrap();
    assert!(guard.load_cool_s(now_s, level(300.0), 1.0, 10.5).is_none(), "longer than from cold");
    pass(&mut guard, &mut now_s, cool_s);
    let room_s = guard.load_room_s(now_s, level(300.0), 1.0);
    assert!((room_s - 5.0).abs() < 0.01, "{room_s}");
    assert!((guard.load_room_cold_s(level(300.0), 1.0) - 10.0).abs() < 1e-6);
}

/// The mean of bursts is what warms: 20 ms in 500 ms of 250 W are 10 W.
#[test]
fn bursts_warm_by_their_mean() {
    let (mut guard, mut now_s) = running(DUTY);
    let drive = |power_w: f64| Command::SourceBurst { level_vrms: level(power_w), rest_vrms: 0.0 };
    guard.burst_share(now_s, 0.04);
    for power_w in [10.0, 37.0, 130.0, 250.0] {
        guard.permit(now_s, &drive(power_w)).unwrap();
    }
    play(&mut guard, now_s, 250.0);
    // Twice what it stands of that without rests, and less than power_s_max of these limits.
    assert_eq!(until_trip(&mut guard, &mut now_s, 29.0), None);
    assert_eq!(guard.load_room_s(now_s, level(250.0), 0.04), f64::INFINITY);
    // The same held is soon too much.
    assert!(guard.load_room_s(now_s, level(250.0), 1.0) < 15.0);
}

/// Invariant 11: a further duty tightens, whatever it says; a boot knows nothing and begins warm.
#[test]
fn duties_only_tighten() {
    let loose = LoadDuty { watts_max: 1e4, watts_continuous: 1e3, seconds_at_max: 100.0 };
    let (mut guard, now_s) = running(DUTY);
    guard.limit_load(loose);
    assert!((guard.load_room_s(now_s, level(300.0), 1.0) - 10.0).abs() < 0.2);
    assert!(guard.permit(now_s, &Command::SourceLevel { level_vrms: level(8.0) }).is_ok());
    guard.limit_load(LoadDuty { watts_max: 50.0, watts_continuous: 50.0, seconds_at_max: 0.0 });
    assert!(raise(&mut guard, now_s, 60.0).is_err());
    let mut fresh = safe();
    fresh.limit_load(DUTY);
    fresh.arm(0.0).unwrap();
    fresh.permit(0.0, &Command::LoadOhm { load_ohm: OHM }).unwrap();
    assert_eq!(fresh.load_room_s(0.0, 1.0, 1.0), 0.0, "nothing is known of what it was given before");
    assert!(watts(level(300.0)) > 299.9);
}

/// A share that makes no sense counts as bursts without a rest between them.
#[test]
fn a_share_that_is_none_counts_as_one() {
    for share in [f64::NAN, 1.5, f64::INFINITY] {
        let (mut guard, mut now_s) = running(DUTY);
        guard.burst_share(now_s, share);
        for power_w in [10.0, 37.0, 130.0, 250.0] {
            guard
                .permit(now_s, &Command::SourceBurst { level_vrms: level(power_w), rest_vrms: 0.0 })
                .unwrap();
        }
        play(&mut guard, now_s, 250.0);
        assert!(until_trip(&mut guard, &mut now_s, 29.0).is_some(), "{share}");
    }
}

/// A load that is as warm as it may be takes bursts whose mean it stands for ever.
#[test]
fn a_warm_load_takes_bursts_by_their_mean() {
    let small = LoadDuty { watts_max: 30.0, watts_continuous: 10.0, seconds_at_max: 10.0 };
    for (share, stands) in [(0.04, true), (0.6, false)] {
        let (mut guard, now_s) = running(DUTY);
        guard.limit_load(small);
        guard.burst_share(now_s, share);
        let burst = Command::SourceBurst { level_vrms: level(20.0), rest_vrms: 0.0 };
        assert_eq!(guard.permit(now_s, &burst).is_ok(), stands, "{share}");
    }
}

/// What it stands for ever exactly, it stands for ever: no rounding on the way there is a breach.
#[test]
fn the_continuous_power_itself_is_for_ever() {
    let duty = LoadDuty { watts_max: 60.0, watts_continuous: 40.0, seconds_at_max: 10.0 };
    let (mut guard, mut now_s) = running(duty);
    raise(&mut guard, now_s, 40.0).unwrap();
    play(&mut guard, now_s, 40.0);
    assert_eq!(until_trip(&mut guard, &mut now_s, 2000.0), None);
    let always = LoadDuty { watts_max: 50.0, watts_continuous: 50.0, seconds_at_max: 0.0 };
    assert_eq!(always.tau_s(), None, "the same power for ever has no time");
}

/// Only a reading of a hundredth of the highest power or more, at a level that plays, tells what a level gives.
#[test]
fn small_readings_and_silence_tell_no_gain() {
    for (level_w, out_w) in [(0.4, 2.9), (0.0, 10.0)] {
        let mut guard = safe();
        guard.limit_load(DUTY);
        guard.arm(0.0).unwrap();
        guard.permit(0.0, &Command::LoadOhm { load_ohm: OHM }).unwrap();
        guard.observe(0.0, &meters());
        guard.permit(0.0, &Command::SupplyOn).unwrap();
        guard.permit(0.0, &Command::SourceLevel { level_vrms: level(level_w) }).unwrap();
        guard.permit(0.0, &Command::SourceOn).unwrap();
        assert_eq!(play(&mut guard, 0.0, out_w), None);
        // By that gain it would be 7 times, or without end, what it is.
        let mut now_s = 0.0;
        guard.source_off(now_s, true);
        pass(&mut guard, &mut now_s, 500.0);
        for watts in [4.0, 16.0, 60.0] {
            guard.permit(now_s, &Command::SourceLevel { level_vrms: level(watts) }).unwrap();
        }
    }
}

/// The next amplifier on the bench may have another gain.
#[test]
fn a_gain_holds_for_one_run() {
    let (mut guard, now_s) = running(DUTY);
    confirm_off(&mut guard, now_s);
    guard.disarm(now_s).unwrap();
    guard.arm(now_s).unwrap();
    guard.permit(now_s, &Command::SourceLevel { level_vrms: level(301.0) }).unwrap();
}

/// Without a reading the amplifier counts as one of 40 dB (common practice, no source), into the load that is set.
#[test]
fn an_amplifier_that_was_not_measured_counts_as_one_of_40_db() {
    let mut guard = safe();
    guard.limit_load(DUTY);
    guard.arm(0.0).unwrap();
    guard.permit(0.0, &Command::LoadOhm { load_ohm: OHM }).unwrap();
    let level_vrms = (125.0 * OHM).sqrt() / 100.0;
    let expected_s = DUTY.tau_s().unwrap() * (125.0f64 / 25.0).ln();
    let room_s = guard.load_room_cold_s(level_vrms, 1.0);
    assert!((room_s - expected_s).abs() < 1e-9 * expected_s, "{room_s} s, not {expected_s}");
    // Nothing played is nothing, whatever the load is.
    let mut guard = safe();
    guard.limit_load(DUTY);
    guard.arm(0.0).unwrap();
    let mut now_s = 0.0;
    pass(&mut guard, &mut now_s, 100.0);
    assert!(guard.trip().is_none());
    assert_eq!(guard.load_room_cold_s(0.0, 1.0), f64::INFINITY);
}
