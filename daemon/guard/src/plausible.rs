//! Readings against each other, against the commands, and against physics: a number within its limit may still be
//! a broken instrument's.

use crate::{Limits, SafetyReading, TripCause};

/// No heatsink in a room is colder, °C; an open thermocouple or a broken link often reads far below.
pub(crate) const COLDEST_C: f64 = -40.0;
/// Largest change of a heatsink's temperature from one reading to the next, °C, and with the time between, °C/s.
const JUMP_C: f64 = 10.0;
const JUMP_C_PER_S: f64 = 5.0;
/// Shortest time over which a slope is judged, s: coarse sensors step.
const SLOPE_S: f64 = 5.0;
/// Output power may read this much above the supply's, as a ratio and, as a share of "at power", in W.
const BALANCE: f64 = 1.25;
const BALANCE_FLOOR: f64 = 0.2;
/// How long charge stored in an amplifier can feed its outputs at power, s.
const STORED_S: f64 = 1.0;
/// Measured against commanded load: ratio, and floor as a share of the limits.
const LOAD_RATIO: f64 = 2.0;
const LOAD_FLOOR: f64 = 1.0 / 20.0;
/// In current limit a supply's current stands still for a reason: from this share of the limit on.
const IN_LIMIT: f64 = 0.95;
/// Identical supply currents, and heatsink temperatures, that are no coincidence any more.
const FROZEN_SUPPLY: u32 = 6;
const FROZEN_HEATSINK: u32 = 8;
/// Only a sensor seen to resolve this, °C, must move within this time, s, when its heat changes by this much, W.
const FINE_C: f64 = 0.05;
const FROZEN_HEATSINK_S: f64 = 20.0;
const FROZEN_HEATSINK_W: f64 = 20.0;

/// How long one value has been the same to the last digit, and what changed meanwhile that must move it.
#[derive(Debug, Clone, Copy, Default)]
struct Still {
    bits: Option<u64>,
    count: u32,
    since_s: f64,
    low_w: f64,
    high_w: f64,
}

impl Still {
    fn see(&mut self, at_s: f64, value: f64, driver_w: Option<f64>) {
        if self.bits != Some(value.to_bits()) {
            *self = Still {
                bits: None,
                count: 0,
                since_s: at_s,
                low_w: f64::INFINITY,
                high_w: f64::NEG_INFINITY,
            };
        }
        if let Some(driver_w) = driver_w {
            self.bits = Some(value.to_bits());
            self.count = self.count.saturating_add(1);
            self.low_w = self.low_w.min(driver_w);
            self.high_w = self.high_w.max(driver_w);
        }
    }

    fn spread_w(&self) -> f64 {
        self.high_w - self.low_w
    }
}

/// What must be remembered from one reading to the next.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Plausible {
    heatsink: Option<(f64, f64)>,
    slope_from: Option<(f64, f64)>,
    finest_c: Option<f64>,
    still_supply: Still,
    still_heatsink: Still,
    unbalanced_s: Option<f64>,
}

/// What was commanded, as far as readings are compared with it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Commanded {
    pub load_ohm: Option<f64>,
    /// Its impedance rises at some frequencies, as a loudspeaker's does.
    pub load_moves: bool,
    pub supply_limit_a: f64,
}

impl Plausible {
    /// Judges values that are within their limits.
    pub fn judge(
        &mut self,
        at_s: f64,
        reading: &SafetyReading,
        limits: &Limits,
        commanded: &Commanded,
    ) -> Option<TripCause> {
        let heat = reading.heatsink_c.and_then(|c| self.heatsink(at_s, c, limits));
        heat.or_else(|| load(reading, limits, commanded))
            .or_else(|| self.balance(at_s, reading, limits))
            .or_else(|| self.frozen(at_s, reading, limits, commanded.supply_limit_a))
    }

    fn heatsink(&mut self, at_s: f64, c: f64, limits: &Limits) -> Option<TripCause> {
        if !(c >= COLDEST_C) {
            return contradiction(format!(
                "the heatsink sensor reads {c:.1} °C, colder than {COLDEST_C} °C: it is detached or broken"
            ));
        }
        let (last_s, last_c) = self.heatsink.unwrap_or((at_s, c));
        self.heatsink = Some((at_s, c));
        let step_c = (c - last_c).abs();
        if step_c > 0.0 {
            self.finest_c = Some(self.finest_c.map_or(step_c, |finest_c| finest_c.min(step_c)));
        }
        let within_s = (at_s - last_s).max(0.0);
        if !(step_c <= JUMP_C + JUMP_C_PER_S * within_s) {
            return contradiction(format!(
                "the heatsink sensor went from {last_c:.1} to {c:.1} °C within {within_s:.2} s, which no heatsink can: it is detached or broken"
            ));
        }
        self.slope(at_s, c, limits.heatsink_c_per_s_max?)
    }

    fn slope(&mut self, at_s: f64, c: f64, allowed: f64) -> Option<TripCause> {
        let (from_s, from_c) = *self.slope_from.get_or_insert((at_s, c));
        let passed_s = (at_s - from_s).max(SLOPE_S);
        if at_s - from_s >= SLOPE_S {
            self.slope_from = Some((at_s, c));
        }
        let value = (c - from_c) / passed_s;
        (!(value <= allowed)).then(|| TripCause::Limit {
            limit: "heatsink_c_per_s_max".into(),
            value,
            allowed,
        })
    }

    /// Power comes from the supply: what the outputs give for longer than stored charge lasts must go in there.
    fn balance(&mut self, at_s: f64, reading: &SafetyReading, limits: &Limits) -> Option<TripCause> {
        let (out_w, in_w) = (reading.together_w?, reading.supply_v? * reading.supply_a?);
        if out_w <= BALANCE * in_w + BALANCE_FLOOR * limits.power_w_from {
            self.unbalanced_s = None;
            return None;
        }
        let since_s = *self.unbalanced_s.get_or_insert(at_s);
        if at_s - since_s < STORED_S {
            return None;
        }
        contradiction(format!(
            "the outputs give {out_w:.1} W and the supply only {in_w:.1} W: supply, load and digitizer disagree"
        ))
    }

    fn frozen(
        &mut self,
        at_s: f64,
        reading: &SafetyReading,
        limits: &Limits,
        limit_a: f64,
    ) -> Option<TripCause> {
        let heat_w = || Some(reading.supply_v? * reading.supply_a? - reading.together_w?);
        if let Some(c) = reading.heatsink_c {
            self.still_heatsink.see(at_s, c, heat_w());
        }
        if let Some(amps_a) = reading.supply_a {
            let driver_w = reading.together_w.filter(|_| amps_a < IN_LIMIT * limit_a);
            self.still_supply.see(at_s, amps_a, driver_w);
        }
        let supply = &self.still_supply;
        if supply.count >= FROZEN_SUPPLY && supply.spread_w() >= limits.power_w_from / 2.0 {
            return contradiction(format!(
                "the supply told the same current {} times while the output power changed by {:.1} W: its reading is frozen",
                supply.count,
                supply.spread_w()
            ));
        }
        let heatsink = &self.still_heatsink;
        let must_move = self.finest_c.is_some_and(|finest_c| finest_c <= FINE_C)
            && heatsink.count >= FROZEN_HEATSINK
            && at_s - heatsink.since_s >= FROZEN_HEATSINK_S
            && heatsink.spread_w() >= FROZEN_HEATSINK_W;
        if must_move {
            return contradiction(format!(
                "the heatsink sensor told the same temperature {} times while its heat changed by {:.1} W: its reading is frozen",
                heatsink.count,
                heatsink.spread_w()
            ));
        }
        None
    }
}

/// What volts and amperes say the load is, against what it was set to.
fn load(reading: &SafetyReading, limits: &Limits, commanded: &Commanded) -> Option<TripCause> {
    let (vrms, arms, load_ohm) = (reading.out_vrms?, reading.out_arms?, commanded.load_ohm?);
    let (floor_v, floor_a) = (LOAD_FLOOR * limits.out_vrms_max, LOAD_FLOOR * limits.out_arms_max);
    let short = arms > LOAD_RATIO * vrms / load_ohm + floor_a;
    let open = !commanded.load_moves && vrms > LOAD_RATIO * load_ohm * arms + floor_v;
    let word = match (short, open) {
        (true, _) => "shorted",
        (_, true) => "open",
        _ => return None,
    };
    contradiction(format!(
        "the load is set to {load_ohm} ohm, {vrms:.2} V and {arms:.2} A were measured at it: it is {word}, or its instruments disagree"
    ))
}

fn contradiction(what: String) -> Option<TripCause> {
    Some(TripCause::Contradiction { what })
}
