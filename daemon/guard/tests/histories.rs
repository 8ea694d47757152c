//! Whatever happens in whatever order, what must always hold does. The checker keeps its own, simpler books of what
//! was commanded, read back and measured, and shares no code with the guard. Source of what must hold: the project's
//! own invariants; common practice for unattended benches, no source.

#![allow(clippy::unwrap_used, reason = "a test helper fails by panicking")]

mod support;

use proptest::prelude::*;
use support::*;
use wattproof_guard::*;

const OUTPUTS: [Output; 2] = Output::SAFE_ORDER;

#[derive(Debug, Clone)]
enum Event {
    Permit(Command),
    Observe {
        ago_s: f64,
        supply_a: Option<f64>,
        heatsink_c: Option<f64>,
        out_vrms: Option<f64>,
        out_w: Option<f64>,
    },
    Confirm(usize, bool),
    SourceOff(bool),
    AllOff,
    Doubt(usize, Doubt),
    Fault(TripCause),
    Arm,
    Disarm,
    /// With the present number, or with another.
    Reset(bool),
    Renew,
    Tighten(f64),
    Wait(f64),
    Tick,
    Restart,
}

fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(9.91e37),
        1 => -10.0..100.0f64,
        8 => 0.0..0.2f64,
    ]
}

fn cause() -> impl Strategy<Value = TripCause> {
    prop_oneof![
        Just(stop()),
        Just(TripCause::Run { what: "x".into() }),
        Just(TripCause::Instrument { what: "x".into() }),
        Just(TripCause::Contradiction { what: "x".into() }),
    ]
}

fn event() -> impl Strategy<Value = Event> {
    let command = prop_oneof![
        value().prop_map(|level_vrms| Command::SourceLevel { level_vrms }),
        (value(), value()).prop_map(|(level_vrms, rest_vrms)| Command::SourceBurst { level_vrms, rest_vrms }),
        (value(), value()).prop_map(|(level_vrms, second_vrms)| Command::SourceTwoTone {
            level_vrms,
            second_vrms,
            second_hz: 7e3
        }),
        value().prop_map(|hz| Command::SourceFrequency { hz }),
        value().prop_map(|volts_v| Command::SupplyVolts { volts_v }),
        value().prop_map(|amps_a| Command::SupplyAmps { amps_a }),
        value().prop_map(|load_ohm| Command::LoadOhm { load_ohm }),
    ];
    let on = prop_oneof![Just(Command::SourceOn), Just(Command::SupplyOn)];
    let doubt = prop_oneof![Just(Doubt::Step), Just(Doubt::Reconnected), Just(Doubt::Rebooted)];
    let maybe = |odds| proptest::option::weighted(odds, value());
    let observe = (0.0..0.5f64, maybe(0.8), maybe(0.8), maybe(0.4), maybe(0.2)).prop_map(
        |(ago_s, supply_a, heatsink_c, out_vrms, out_w)| Event::Observe {
            ago_s,
            supply_a,
            heatsink_c,
            out_vrms,
            out_w,
        },
    );
    let healthy = Just(Event::Observe {
        ago_s: 0.0,
        supply_a: Some(0.05),
        heatsink_c: Some(8.0),
        out_vrms: Some(0.1),
        out_w: None,
    });
    prop_oneof![
        2 => command.prop_map(Event::Permit),
        4 => on.prop_map(Event::Permit),
        3 => observe,
        8 => healthy,
        4 => (0..2usize, any::<bool>()).prop_map(|(output, off)| Event::Confirm(output, off)),
        2 => any::<bool>().prop_map(Event::SourceOff),
        6 => Just(Event::AllOff),
        1 => (0..2usize, doubt).prop_map(|(output, doubt)| Event::Doubt(output, doubt)),
        1 => cause().prop_map(Event::Fault),
        5 => Just(Event::Arm),
        2 => Just(Event::Disarm),
        5 => any::<bool>().prop_map(Event::Reset),
        1 => Just(Event::Renew),
        1 => (0.1..5.0f64).prop_map(Event::Tighten),
        6 => (0.0..0.7f64).prop_map(Event::Wait),
        1 => (-2.0..5.0f64).prop_map(Event::Wait),
        4 => Just(Event::Tick),
        1 => Just(Event::Restart),
    ]
}

/// The checker's books.
#[derive(Debug, Clone)]
struct Books {
    /// Read back as off since the last command, doubt or fault that could have changed it.
    off: [bool; 2],
    /// The loudest level set since the source was read back as off, V rms.
    level_vrms: Option<f64>,
    /// Ever confirmed off in this boot.
    booted: [bool; 2],
    /// When each safety reading was last asked for that arrived whole and within its limit.
    supply_s: f64,
    heatsink_s: f64,
    /// Since when, at the latest, everything should be off.
    due_s: Option<f64>,
    /// Outstanding trip, and when its last cause came.
    tripped: bool,
    /// The clock ran back, so that the times kept here mean nothing.
    time_lost: bool,
    /// How often the program was started.
    boots: u64,
}

impl Books {
    fn new() -> Self {
        let never = f64::NEG_INFINITY;
        Books {
            off: [false; 2],
            level_vrms: None,
            booted: [false; 2],
            supply_s: never,
            heatsink_s: never,
            due_s: None,
            tripped: false,
            time_lost: false,
            boots: 0,
        }
    }

    fn all_off(&self) -> bool {
        self.off == [true; 2]
    }
}

fn within(value: f64, max: f64) -> bool {
    (0.0..=max).contains(&value)
}

/// Whether a command's value may pass at all, from the limits alone.
fn sane(command: &Command, limits: &Limits) -> bool {
    match *command {
        Command::SourceLevel { level_vrms } => within(level_vrms, limits.source_vrms_max),
        Command::SourceBurst { level_vrms, rest_vrms } => {
            within(level_vrms, limits.source_vrms_max) && within(rest_vrms, limits.source_vrms_max)
        }
        Command::SourceTwoTone { level_vrms, second_vrms, .. } => {
            level_vrms >= 0.0
                && second_vrms >= 0.0
                && within(level_vrms + second_vrms, limits.source_vrms_max)
        }
        Command::SourceFrequency { hz } => hz > 0.0 && hz.is_finite(),
        Command::SupplyVolts { volts_v } => within(volts_v, limits.supply_v_max),
        Command::SupplyAmps { amps_a } => within(amps_a, limits.supply_a_max),
        Command::LoadOhm { load_ohm } => load_ohm >= limits.load_ohm_min && load_ohm.is_finite(),
        Command::SourceOn | Command::SupplyOn => true,
    }
}

fn latched(state: State) -> bool {
    matches!(state, State::Tripping | State::Tripped | State::Alarm)
}

/// Does the event, keeps the books, and checks what only this event can break.
fn happen(guard: &mut Guard, books: &mut Books, now_s: &mut f64, event: &Event) -> Result<(), TestCaseError> {
    let before = guard.state();
    let nonce = guard.trip().map(|trip| trip.nonce);
    let t = *now_s;
    match event {
        Event::Permit(command) => {
            let permitted = guard.permit(t, command).is_ok();
            if permitted {
                prop_assert!(matches!(before, State::Armed | State::Running), "energised in {before:?}");
                prop_assert!(!books.tripped, "stop beats start");
                prop_assert!(books.booted == [true; 2], "energised before all was read back in this boot");
                prop_assert!(sane(command, guard.limits()), "{command:?} passed");
                match *command {
                    Command::SourceLevel { level_vrms } => books.level_vrms = Some(level_vrms),
                    Command::SourceBurst { level_vrms, rest_vrms } => {
                        books.level_vrms = Some(level_vrms.max(rest_vrms));
                    }
                    Command::SourceTwoTone { level_vrms, second_vrms, .. } => {
                        books.level_vrms = Some(level_vrms + second_vrms);
                    }
                    Command::SourceOn => {
                        let l = guard.limits();
                        let floor_vrms = l.source_vrms_max / 10.0;
                        let jump_db = books.level_vrms.map(|level| 20.0 * (level / floor_vrms).log10());
                        let soft = jump_db.is_some_and(|db| db <= l.source_step_db_max + 1e-6);
                        prop_assert!(!books.off[0] || soft, "on at {:?} V rms", books.level_vrms);
                        books.off[0] = false;
                    }
                    Command::SupplyOn => books.off[1] = false,
                    _ => {}
                }
                let on = matches!(command, Command::SourceOn | Command::SupplyOn);
                let max_s = guard.limits().reading_age_s_max;
                let fresh = t - books.supply_s <= max_s && t - books.heatsink_s <= max_s;
                prop_assert!(!on || fresh || books.time_lost, "switched on without fresh readings");
            } else if matches!(before, State::Armed | State::Running) {
                prop_assert!(latched(guard.state()), "refused without a trip");
            }
        }
        Event::Observe { ago_s, supply_a, heatsink_c, out_vrms, out_w } => {
            let reading = SafetyReading {
                asked_s: Some(t - ago_s),
                supply_a: *supply_a,
                heatsink_c: *heatsink_c,
                out_vrms: *out_vrms,
                out_w: *out_w,
                ..SafetyReading::default()
            };
            guard.observe(t, &reading);
            let beyond = |value: &Option<f64>, max: f64| value.is_some_and(|value| !(value <= max));
            let l = guard.limits();
            let bad = beyond(supply_a, l.supply_a_max)
                || beyond(heatsink_c, l.heatsink_c_max)
                || beyond(out_vrms, l.out_vrms_max)
                || beyond(out_w, l.out_w_max);
            prop_assert!(!bad || latched(guard.state()), "a reading beyond its limit in {:?}", guard.state());
            if supply_a.is_some() && !bad {
                books.supply_s = books.supply_s.max(t - ago_s);
            }
            if heatsink_c.is_some() && !bad {
                books.heatsink_s = books.heatsink_s.max(t - ago_s);
            }
        }
        Event::Confirm(output, off) => {
            guard.confirm(t, OUTPUTS[*output], *off);
            books.off[*output] = *off;
            books.booted[*output] |= *off;
            books.level_vrms = books.level_vrms.filter(|_| *output != 0 || !*off);
        }
        Event::SourceOff(off) => {
            guard.source_off(t, *off);
            books.off[0] = *off;
            books.booted[0] |= *off;
            books.level_vrms = books.level_vrms.filter(|_| !*off);
        }
        Event::AllOff => {
            confirm_off(guard, t);
            (books.off, books.booted) = ([true; 2], [true; 2]);
            books.level_vrms = None;
        }
        Event::Doubt(output, doubt) => {
            guard.doubt(t, OUTPUTS[*output], *doubt);
            books.off[*output] = false;
        }
        Event::Fault(cause) => {
            let first = guard.fault(t, cause.clone());
            prop_assert_eq!(first.is_some(), !latched(before));
            prop_assert!(latched(guard.state()));
        }
        Event::Arm => {
            let armed = guard.arm(t).is_ok();
            books.level_vrms = books.level_vrms.filter(|_| !armed);
            prop_assert!(
                !armed || (before == State::Safe && guard.state() == State::Armed && books.all_off())
            );
        }
        Event::Disarm => {
            if guard.disarm(t).is_ok() {
                prop_assert!(books.all_off() && guard.state() == State::Safe);
            }
        }
        Event::Reset(right) => {
            let quoted = nonce.unwrap_or(5) ^ u64::from(!right);
            if guard.reset(t, quoted).is_ok() {
                prop_assert!(before == State::Tripped && *right && guard.state() == State::Safe);
                prop_assert!(books.all_off(), "reset with an output not confirmed off");
                prop_assert!(
                    OUTPUTS.iter().all(|o| guard.belief(*o) == Belief::Off),
                    "a reset energises nothing"
                );
                books.tripped = false;
            }
        }
        Event::Renew => {
            let renewed = guard.renew_nonce();
            prop_assert!(renewed.is_none() || renewed != nonce);
        }
        Event::Tighten(factor) => {
            let was = *guard.limits();
            let other =
                Limits { out_w_max: was.out_w_max * factor, load_ohm_min: was.load_ohm_min * factor, ..was };
            guard.tighten(&other);
            prop_assert!(
                guard.limits().out_w_max <= was.out_w_max && guard.limits().load_ohm_min >= was.load_ohm_min
            );
        }
        Event::Wait(s) => {
            *now_s += s;
            books.time_lost |= *s < 0.0;
            guard.tick(*now_s);
        }
        Event::Tick => drop(guard.tick(t)),
        Event::Restart => {
            if let Some(record) = guard.latch() {
                let alarm = guard.state() == State::Alarm;
                *guard = Guard::restored(limits(), OFF_DEADLINE_S, 1000 + books.boots, record);
                prop_assert_eq!(guard.state(), if alarm { State::Alarm } else { State::Tripped });
                prop_assert!(guard.trip().map(|trip| trip.nonce) != nonce);
                let (time_lost, boots) = (books.time_lost, books.boots + 1);
                *books = Books { tripped: true, time_lost, boots, ..Books::new() };
            }
        }
    }
    check_path(before, guard.state(), event)
}

/// The ways from state to state.
fn check_path(before: State, after: State, event: &Event) -> Result<(), TestCaseError> {
    use State::*;
    let ok = match (before, after) {
        (a, b) if a == b => true,
        (Tripped, Safe) => matches!(event, Event::Reset(true)),
        (Tripped, Alarm) => true,
        (Tripped, _) => false,
        // A restart while tripping finds its outputs unconfirmed again.
        (Alarm, Tripped) | (Tripping, Tripped | Alarm) => true,
        (Alarm | Tripping, _) => false,
        (Boot, Safe) => matches!(event, Event::Confirm(..) | Event::SourceOff(_) | Event::AllOff),
        (Safe, Armed) => matches!(event, Event::Arm),
        (Armed, Running) => matches!(event, Event::Permit(Command::SourceOn | Command::SupplyOn)),
        (Armed | Running, Safe) => matches!(event, Event::Disarm),
        (Boot | Safe | Armed | Running, Tripping | Alarm) => true,
        // One event may trip and see everything confirmed off.
        (Safe | Armed | Running, Tripped) => matches!(event, Event::AllOff),
        _ => false,
    };
    prop_assert!(ok, "{:?} -> {:?} by {:?}", before, after, event);
    Ok(())
}

/// What holds after every event. Time is judged where it was told: at once after a tick at `t`.
fn check(guard: &mut Guard, books: &mut Books, before: State, t: f64) -> Result<(), TestCaseError> {
    if latched(guard.state()) && !latched(before) {
        // A fault throws doubt on everything, unless the same event read it back afterwards.
        books.off = OUTPUTS.map(|output| guard.belief(output) == Belief::Off && books.off[output as usize]);
        books.tripped = true;
    }
    guard.tick(t);
    if latched(guard.state()) {
        books.tripped = true;
    }
    prop_assert_eq!(books.tripped, guard.trip().is_some());
    prop_assert_eq!(books.tripped, latched(guard.state()));
    for (index, output) in OUTPUTS.into_iter().enumerate() {
        prop_assert!(guard.belief(output) != Belief::Off || books.off[index], "believed off: {}", output);
    }
    let may_live = OUTPUTS.iter().any(|output| guard.belief(*output).may_be_live());
    // Containment: live, or perhaps live, only while running, in alarm, or within the off deadline.
    let waits = may_live && !matches!(guard.state(), State::Running | State::Alarm);
    prop_assert!(!waits || matches!(guard.state(), State::Boot | State::Tripping | State::Tripped));
    books.due_s = waits.then(|| books.due_s.unwrap_or(t));
    let late_s = books.due_s.map_or(0.0, |due_s| t - due_s);
    prop_assert!(late_s <= OFF_DEADLINE_S + 1e-9 || books.time_lost, "{late_s} s and no alarm");
    if guard.state() == State::Running && !books.time_lost {
        let max_s = guard.limits().reading_age_s_max;
        prop_assert!(t - books.supply_s <= max_s && t - books.heatsink_s <= max_s, "stale while running");
    }
    let live = matches!(guard.state(), State::Armed | State::Running);
    prop_assert!(
        guard.may_send(t, MessageKind::Off).is_ok() && guard.may_send(t, MessageKind::Query).is_ok()
    );
    prop_assert_eq!(guard.may_send(t, MessageKind::Energise).is_ok(), live);
    prop_assert!(guard.may_send(t, MessageKind::Clear).is_err() || books.all_off());
    prop_assert!(guard.may_send(t, MessageKind::Set).is_err() || !books.tripped);
    prop_assert!(guard.may_send(t, MessageKind::Feed).is_err() || live);
    prop_assert!(guard.trip().is_none_or(|trip| trip.evidence.len() <= EVIDENCE_MAX));
    Ok(())
}

fn histories(events: &[Event]) -> Result<State, TestCaseError> {
    let (mut guard, mut books, mut now_s) = (boot(), Books::new(), 0.0);
    for event in events {
        let before = guard.state();
        happen(&mut guard, &mut books, &mut now_s, event)?;
        check(&mut guard, &mut books, before, now_s)?;
    }
    Ok(guard.state())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 3000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn invariants_hold_over_any_history(events in proptest::collection::vec(event(), 0..120)) {
        histories(&events)?;
    }

    /// The same from a run that is under way, so that deep states are met often.
    #[test]
    fn invariants_hold_after_any_start(events in proptest::collection::vec(event(), 0..60)) {
        let healthy = Event::Observe { ago_s: 0.0, supply_a: Some(0.05), heatsink_c: Some(8.0), out_vrms: None, out_w: None };
        let energise = [Command::SupplyOn, Command::SourceLevel { level_vrms: 0.02 }, Command::SourceOn];
        let mut all = vec![Event::AllOff, Event::Arm, healthy];
        all.extend(energise.map(Event::Permit));
        prop_assert_eq!(histories(&all)?, State::Running);
        all.extend(events);
        histories(&all)?;
    }
}
