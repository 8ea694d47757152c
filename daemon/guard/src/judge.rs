//! Judges readings: against limits, against what was believed and commanded, and against time.

use crate::latch::Trip;
use crate::plausible::Commanded;
use crate::reading::{DEAD_A, DEAD_VRMS};
use crate::{Belief, Guard, Limits, Output, SafetyReading, State, TripCause};

/// How much more than its limit a supply's voltage may read: the meter's own error and the setting's.
const SUPPLY_V_SLACK: f64 = 1.02;
/// How long a supply may show current after it was read back off, s: its meter's own filter. What is stored in an
/// amplifier feeds its outputs, but cannot flow out of the supply.
const SUPPLY_DIES_S: f64 = 0.5;
/// How long before their deadline outputs must be measured dead, s: somebody looks five times a second, and ALARM
/// must be there when the deadline comes.
const LOOK_S: f64 = 0.3;
/// How long an amplifier rings after its source fell silent, s.
const QUIET_S: f64 = 0.5;

impl Guard {
    /// Judges a reading; trips when a value is beyond its limit, is no number, or contradicts another.
    pub fn observe(&mut self, now_s: f64, reading: &SafetyReading) -> Option<Trip> {
        if let Some(trip) = self.advance(now_s) {
            return Some(trip);
        }
        let asked_s = reading.asked_s.unwrap_or(now_s).min(now_s);
        if let Some(cause) = self.live_though_off(reading) {
            return self.alarm(now_s, cause);
        }
        let too_much = reading.out_w.filter(|_| self.playing.source_on).and_then(|out_w| {
            let load_ohm = self.load_ohm;
            self.heat.measured(self.playing.level_vrms.unwrap_or(0.0), load_ohm, out_w)
        });
        let cause = beyond(&self.limits, reading)
            .or(too_much)
            .or_else(|| self.further.judge(reading))
            .or_else(|| self.live_though_silent(reading))
            .or_else(|| self.implausible(asked_s, reading));
        self.note_seen(now_s, reading);
        if let Some(cause) = cause {
            return self.fault(now_s, cause);
        }
        if reading.supply_a.is_some() {
            self.supply_fresh_s = self.supply_fresh_s.max(asked_s);
        }
        self.further.note(asked_s, reading);
        if reading.heatsink_c.is_some() {
            self.heatsink_fresh_s = self.heatsink_fresh_s.max(asked_s);
        }
        if let Some(out_w) = reading.out_w {
            let at_power = self.playing.source_on && out_w >= self.limits.power_w_from;
            self.power_since_s = at_power.then(|| self.power_since_s.unwrap_or(now_s));
        }
        self.tick(now_s)
    }

    /// Whether supply current and heatsink are each young enough.
    pub(crate) fn is_fresh(&self, now_s: f64) -> bool {
        self.stale(now_s).is_none()
    }

    pub(crate) fn stale(&self, now_s: f64) -> Option<TripCause> {
        let ages = [("supply current", self.supply_fresh_s), ("heatsink", self.heatsink_fresh_s)];
        let stale = ages.into_iter().find_map(|(reading, fresh_s)| {
            let age_s = now_s - fresh_s;
            (!(age_s <= self.limits.reading_age_s_max))
                .then(|| TripCause::Stale { reading: reading.into(), age_s })
        });
        stale.or_else(|| self.further.stale(now_s, self.limits.reading_age_s_max))
    }

    pub(crate) fn too_long(&self, now_s: f64) -> Option<TripCause> {
        let power_s = self.power_since_s.map_or(0.0, |since_s| now_s - since_s);
        above("power_s_max", power_s, self.limits.power_s_max)
    }

    /// An output was read back as off and has had time to die, yet it lives.
    fn live_though_off(&mut self, reading: &SafetyReading) -> Option<TripCause> {
        let asked_s = reading.asked_s?;
        let supply_off_s = self.known[Output::Supply as usize].off_s()?;
        let source_off_s = self.known[Output::Source as usize].off_s();
        let outputs_die_s = self.off_deadline_s - LOOK_S;
        let died = |off_s: f64, within_s: f64| asked_s >= off_s + within_s;
        let supply_died = died(supply_off_s, SUPPLY_DIES_S.min(outputs_die_s));
        let amps_a = reading.supply_a.filter(|amps_a| supply_died && !(amps_a.abs() < DEAD_A));
        let all_off_s = source_off_s.map(|source_off_s| source_off_s.max(supply_off_s));
        let outputs_died = all_off_s.is_some_and(|off_s| died(off_s, outputs_die_s));
        let vrms = reading.out_vrms.filter(|vrms| outputs_died && !(*vrms < DEAD_VRMS));
        let what = match (amps_a, vrms) {
            (Some(amps_a), _) => format!("the supply says it is off and delivers {amps_a:.2} A"),
            (_, Some(vrms)) => {
                format!("source and supply say they are off and an amplifier output carries {vrms:.2} V rms")
            }
            _ => return None,
        };
        let supply = &mut self.known[Output::Supply as usize];
        supply.doubted();
        supply.contradict();
        Some(TripCause::Contradiction { what })
    }

    /// Nothing is played, yet an output carries more than noise: it oscillates, or the source plays on.
    fn live_though_silent(&self, reading: &SafetyReading) -> Option<TripCause> {
        let quiet_s = self.quiet_s?;
        let vrms =
            reading.out_vrms.filter(|_| reading.asked_s.is_some_and(|at_s| at_s >= quiet_s + QUIET_S))?;
        let dc_v = reading.dc_v.unwrap_or(0.0);
        let live = self.belief(Output::Supply) != Belief::Off;
        above("idle_vrms_max", (vrms * vrms - dc_v * dc_v).max(0.0).sqrt(), self.limits.idle_vrms())
            .filter(|_| live)
    }

    fn implausible(&mut self, asked_s: f64, reading: &SafetyReading) -> Option<TripCause> {
        let limit_a = self.supply_limit_a.unwrap_or(self.limits.supply_a_max);
        let commanded =
            Commanded { load_ohm: self.load_ohm, load_moves: self.load_moves, supply_limit_a: limit_a };
        self.plausible.judge(asked_s, reading, &self.limits, &commanded)
    }

    /// Only what was asked for after the last cause speaks for a reset, or for a contradicted output.
    fn note_seen(&mut self, now_s: f64, reading: &SafetyReading) {
        let Some(asked_s) = reading.asked_s.filter(|asked_s| *asked_s >= self.cause_s) else { return };
        self.seen.take(reading, asked_s, self.limits.heatsink_c_max);
        self.further.note_seen(&mut self.seen.further_s, asked_s, reading);
        if self.seen.dead() && matches!(self.state, State::Alarm | State::Tripped) {
            self.known[Output::Supply as usize].measured_dead();
            self.settle(now_s);
        }
    }
}

/// The first limit that a reading is beyond.
fn beyond(limits: &Limits, reading: &SafetyReading) -> Option<TripCause> {
    let l = limits;
    [
        ("out_vrms_max", reading.out_vrms, l.out_vrms_max),
        ("out_arms_max", reading.out_arms, l.out_arms_max),
        ("out_w_max", reading.out_w, l.out_w_max),
        ("dc_v_max", reading.dc_v.map(f64::abs), l.dc_v_max),
        ("supply_v_max", reading.supply_v, l.supply_v_max * SUPPLY_V_SLACK),
        ("supply_a_max", reading.supply_a, l.supply_a_max),
        ("heatsink_c_max", reading.heatsink_c, l.heatsink_c_max),
    ]
    .into_iter()
    .find_map(|(name, value, limit)| above(name, value?, limit))
}

fn above(limit: &str, value: f64, allowed: f64) -> Option<TripCause> {
    (!(value <= allowed)).then(|| TripCause::Limit { limit: limit.into(), value, allowed })
}
