//! A guard in each state, and readings to tell it.

#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(clippy::unwrap_used, reason = "a test helper fails by panicking")]

use wattproof_guard::*;

pub const OFF_DEADLINE_S: f64 = 1.0;

pub fn limits() -> Limits {
    Limits {
        out_vrms_max: 50.0,
        out_arms_max: 25.0,
        out_w_max: 500.0,
        dc_v_max: 2.0,
        supply_v_max: 16.0,
        supply_a_max: 80.0,
        heatsink_c_max: 90.0,
        source_vrms_max: 2.0,
        source_step_db_max: 6.0,
        load_ohm_min: 1.0,
        power_s_max: 30.0,
        power_w_from: 50.0,
        reading_age_s_max: 2.0,
        heatsink_c_per_s_max: None,
        idle_vrms_max: None,
        switch_on_per_min_max: None,
    }
}

pub fn boot() -> Guard {
    Guard::new(limits(), OFF_DEADLINE_S, 7)
}

pub fn safe() -> Guard {
    let mut guard = boot();
    confirm_off(&mut guard, 0.0);
    guard
}

pub fn armed() -> Guard {
    let mut guard = safe();
    guard.arm(0.0).unwrap();
    assert!(guard.observe(0.0, &healthy(0.0)).is_none());
    guard
}

pub fn running() -> Guard {
    let mut guard = armed();
    guard.permit(0.0, &Command::SupplyOn).unwrap();
    guard.permit(0.0, &Command::SourceLevel { level_vrms: 0.1 }).unwrap();
    guard.permit(0.0, &Command::SourceOn).unwrap();
    guard
}

pub fn tripping() -> Guard {
    let mut guard = running();
    guard.fault(0.0, stop()).unwrap();
    guard
}

pub fn tripped() -> Guard {
    let mut guard = tripping();
    confirm_off(&mut guard, 0.0);
    guard
}

pub fn alarmed() -> Guard {
    let mut guard = tripping();
    guard.tick(1.1);
    guard
}

/// A guard in that state; its clock stands at 0, or at 1.1 in ALARM.
pub fn in_state(state: State) -> Guard {
    let guard = match state {
        State::Boot => boot(),
        State::Safe => safe(),
        State::Armed => armed(),
        State::Running => running(),
        State::Tripping => tripping(),
        State::Tripped => tripped(),
        State::Alarm => alarmed(),
    };
    assert_eq!(guard.state(), state);
    guard
}

pub const STATES: [State; 7] =
    [State::Boot, State::Safe, State::Armed, State::Running, State::Tripping, State::Tripped, State::Alarm];

pub fn confirm_off(guard: &mut Guard, now_s: f64) {
    guard.confirm(now_s, Output::Source, true);
    guard.confirm(now_s, Output::Supply, true);
}

pub fn stop() -> TripCause {
    TripCause::Stop { by: "test".into() }
}

/// Supply current and heatsink as they should be.
pub fn healthy(asked_s: f64) -> SafetyReading {
    SafetyReading {
        asked_s: Some(asked_s),
        supply_a: Some(0.05),
        heatsink_c: Some(8.0),
        ..SafetyReading::default()
    }
}

/// Everything measured dead.
pub fn dead(asked_s: f64) -> SafetyReading {
    SafetyReading { supply_a: Some(0.0), out_vrms: Some(0.01), ..healthy(asked_s) }
}

/// A healthy steady tone of 100 W into 4 ohm, on one channel.
pub fn at_power(asked_s: f64) -> SafetyReading {
    SafetyReading {
        out_vrms: Some(20.0),
        out_arms: Some(5.0),
        out_w: Some(100.0),
        together_w: Some(100.0),
        supply_v: Some(14.4),
        supply_a: Some(12.0),
        ..healthy(asked_s)
    }
}
