//! The state machine. Transitions:
//!
//! ```text
//! BOOT     --every output confirmed off-->  SAFE
//! SAFE     --arm------------------------->  ARMED
//! ARMED    --first energising command---->  RUNNING
//! any      --limit, fault, stop---------->  TRIPPING
//! TRIPPING --every output confirmed off-->  TRIPPED
//! TRIPPING --off deadline passed--------->  ALARM
//! ALARM    --every output confirmed off-->  TRIPPED
//! TRIPPED  --reset with the trip's nonce->  SAFE
//! ARMED, RUNNING --disarm, all confirmed off--> SAFE
//! ```

use serde::{Deserialize, Serialize};

use crate::{Belief, Command, Limits, Output, Refusal, Trip, TripCause};

/// Where the bench stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Nothing is known yet.
    Boot,
    /// Every output confirmed off.
    Safe,
    /// A run may energise.
    Armed,
    /// Something was energised.
    Running,
    /// A trip is being carried out.
    Tripping,
    /// Everything confirmed off after a trip; latched until a person resets.
    Tripped,
    /// An output could not be confirmed off in time.
    Alarm,
}

/// What the guard is told about the bench; absent values are not judged.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SafetyReading {
    /// Output voltage, V rms, the largest of the channels.
    pub out_vrms: Option<f64>,
    /// Output current, A rms, the largest of the channels.
    pub out_arms: Option<f64>,
    /// Active power, W, the largest of the channels.
    pub out_w: Option<f64>,
    /// dc voltage at an output, V, the largest magnitude.
    pub dc_v: Option<f64>,
    /// Supply voltage measured, V.
    pub supply_v: Option<f64>,
    /// Supply current measured, A.
    pub supply_a: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
}

/// The guard of one bench. All times are seconds on one monotonic clock, handed in.
#[derive(Debug, Clone)]
pub struct Guard {
    limits: Limits,
    state: State,
    beliefs: [Belief; 2],
    trip: Option<Trip>,
    level_vrms: f64,
    source_on: bool,
    fresh_s: f64,
    power_since_s: Option<f64>,
    off_deadline_s: f64,
    tripping_since_s: f64,
    trips: u64,
}

impl Guard {
    /// A guard in BOOT. `off_deadline_s`: how long outputs may take to be confirmed off before ALARM.
    pub fn new(limits: Limits, off_deadline_s: f64) -> Self {
        Guard {
            limits,
            state: State::Boot,
            beliefs: [Belief::Unknown; 2],
            trip: None,
            level_vrms: 0.0,
            source_on: false,
            fresh_s: f64::NEG_INFINITY,
            power_since_s: None,
            off_deadline_s,
            tripping_since_s: 0.0,
            trips: 0,
        }
    }

    /// The state now.
    pub fn state(&self) -> State {
        self.state
    }

    /// The limits in force.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// The latched trip, if any.
    pub fn trip(&self) -> Option<&Trip> {
        self.trip.as_ref()
    }

    /// Belief about an output.
    pub fn belief(&self, output: Output) -> Belief {
        self.beliefs[output as usize]
    }

    /// Tightens the limits; a looser value changes nothing.
    pub fn tighten(&mut self, other: &Limits) {
        self.limits = self.limits.tightened(other);
    }

    /// Lets a run energise. Only from SAFE.
    pub fn arm(&mut self, now_s: f64) -> Result<(), Refusal> {
        if self.state != State::Safe {
            return Err(self.refusal());
        }
        self.state = State::Armed;
        self.level_vrms = 0.0;
        self.fresh_s = now_s;
        Ok(())
    }

    /// Judges a command about to be sent. `Ok` means: send it now.
    pub fn permit(&mut self, now_s: f64, command: &Command) -> Result<(), Refusal> {
        if !matches!(self.state, State::Armed | State::Running) {
            return Err(self.refusal());
        }
        if let Some(cause) = self.beyond(command) {
            self.fault(now_s, cause.clone());
            return Err(Refusal::Tripped(cause));
        }
        match *command {
            Command::SourceLevel { level_vrms } => self.level_vrms = level_vrms,
            Command::SourceBurst { level_vrms, rest_vrms } => self.level_vrms = level_vrms.max(rest_vrms),
            Command::SourceTwoTone { level_vrms, second_vrms, .. } => {
                self.level_vrms = level_vrms + second_vrms;
            }
            Command::SourceOn => {
                self.source_on = true;
                self.live(now_s, Output::Source);
            }
            Command::SupplyOn => self.live(now_s, Output::Supply),
            _ => {}
        }
        Ok(())
    }

    fn live(&mut self, now_s: f64, output: Output) {
        self.beliefs[output as usize] = Belief::On;
        if self.state == State::Armed {
            self.state = State::Running;
            self.fresh_s = now_s;
        }
    }

    fn beyond(&self, command: &Command) -> Option<TripCause> {
        let l = &self.limits;
        match *command {
            Command::SourceLevel { level_vrms } => self.too_loud([level_vrms, 0.0], level_vrms),
            // Both are looked at before the louder is picked: `max` would hide a NaN.
            Command::SourceBurst { level_vrms, rest_vrms } => {
                self.too_loud([level_vrms, rest_vrms], level_vrms.max(rest_vrms))
            }
            Command::SourceTwoTone { level_vrms, second_vrms, second_hz } => self
                .too_loud([level_vrms, second_vrms], level_vrms + second_vrms)
                .or_else(|| below("source frequency", second_hz, f64::MIN_POSITIVE)),
            Command::SourceFrequency { hz } => below("source frequency", hz, f64::MIN_POSITIVE),
            Command::SupplyVolts { volts_v } => {
                above("supply_v_max", volts_v, l.supply_v_max).or_else(|| below("supply volts", volts_v, 0.0))
            }
            Command::SupplyAmps { amps_a } => {
                above("supply_a_max", amps_a, l.supply_a_max).or_else(|| below("supply amps", amps_a, 0.0))
            }
            Command::LoadOhm { load_ohm } => below("load_ohm_min", load_ohm, l.load_ohm_min),
            Command::SourceOn | Command::SupplyOn => None,
        }
    }

    /// Levels that make no sense, or together more than the source may give or than it may rise at once.
    fn too_loud(&self, levels: [f64; 2], loudest_vrms: f64) -> Option<TripCause> {
        let max = self.limits.source_vrms_max;
        let each = levels.into_iter().find_map(|level| {
            above("source_vrms_max", level, max).or_else(|| below("source level", level, 0.0))
        });
        each.or_else(|| above("source_vrms_max", loudest_vrms, max)).or_else(|| self.too_steep(loudest_vrms))
    }

    /// A quick jump upwards near full level catches an amplifier, and a load, unprepared.
    fn too_steep(&self, level_vrms: f64) -> Option<TripCause> {
        let floor_vrms = self.level_vrms.max(self.limits.source_vrms_max / 10.0);
        let step_db = 20.0 * (level_vrms / floor_vrms).log10();
        // Going down, or to zero, gives a negative or minus infinite step and passes.
        (self.source_on && level_vrms > self.level_vrms)
            .then(|| above("source_step_db_max", step_db, self.limits.source_step_db_max + 1e-9))
            .flatten()
    }

    /// Judges a safety reading; trips when a value is beyond its limit or not a number.
    pub fn observe(&mut self, now_s: f64, reading: &SafetyReading) -> Option<Trip> {
        let l = self.limits;
        let worst = [
            ("out_vrms_max", reading.out_vrms, l.out_vrms_max),
            ("out_arms_max", reading.out_arms, l.out_arms_max),
            ("out_w_max", reading.out_w, l.out_w_max),
            ("dc_v_max", reading.dc_v.map(f64::abs), l.dc_v_max),
            ("supply_v_max", reading.supply_v, l.supply_v_max * 1.02),
            ("supply_a_max", reading.supply_a, l.supply_a_max),
            ("heatsink_c_max", reading.heatsink_c, l.heatsink_c_max),
        ]
        .into_iter()
        .find_map(|(name, value, limit)| above(name, value?, limit));
        if let Some(cause) = worst {
            return self.fault(now_s, cause);
        }
        if reading.supply_a.is_some() && reading.heatsink_c.is_some() {
            self.fresh_s = now_s;
        }
        if let Some(out_w) = reading.out_w {
            let at_power = self.source_on && out_w >= l.power_w_from;
            self.power_since_s = at_power.then(|| self.power_since_s.unwrap_or(now_s));
        }
        self.tick(now_s)
    }

    /// Judges the passing of time.
    pub fn tick(&mut self, now_s: f64) -> Option<Trip> {
        match self.state {
            State::Running => {
                let age_s = now_s - self.fresh_s;
                if age_s > self.limits.reading_age_s_max {
                    return self.fault(now_s, TripCause::Stale { age_s });
                }
                let power_s = self.power_since_s.map_or(0.0, |since_s| now_s - since_s);
                above("power_s_max", power_s, self.limits.power_s_max).and_then(|c| self.fault(now_s, c))
            }
            State::Tripping if now_s - self.tripping_since_s > self.off_deadline_s => {
                self.state = State::Alarm;
                None
            }
            _ => None,
        }
    }

    /// A fault from anywhere. The first one is latched; returns it only when it is new.
    pub fn fault(&mut self, now_s: f64, cause: TripCause) -> Option<Trip> {
        if self.trip.is_some() {
            return None;
        }
        self.trips += 1;
        let trip = Trip { at_s: now_s, cause, nonce: self.trips };
        self.trip = Some(trip.clone());
        self.state = State::Tripping;
        self.tripping_since_s = now_s;
        self.power_since_s = None;
        for belief in &mut self.beliefs {
            if *belief == Belief::On {
                *belief = Belief::Unknown;
            }
        }
        Some(trip)
    }

    /// The source was switched off on purpose between steps, and read back.
    pub fn source_off(&mut self, now_s: f64, confirmed: bool) {
        self.source_on = false;
        self.power_since_s = None;
        self.level_vrms = 0.0;
        self.confirm(now_s, Output::Source, confirmed);
    }

    /// What the read-back after an OFF said. Moves BOOT to SAFE and TRIPPING or ALARM to TRIPPED once all are off.
    pub fn confirm(&mut self, now_s: f64, output: Output, off: bool) {
        self.beliefs[output as usize] = if off { Belief::Off } else { Belief::Unknown };
        if output == Output::Source && off {
            self.source_on = false;
        }
        let all_off = self.beliefs.iter().all(|belief| !belief.may_be_live());
        match self.state {
            State::Boot if all_off => self.state = State::Safe,
            State::Tripping | State::Alarm if all_off => self.state = State::Tripped,
            _ => {
                self.tick(now_s);
            }
        }
    }

    /// Ends a healthy run: from ARMED or RUNNING to SAFE when everything is confirmed off, else a trip.
    pub fn disarm(&mut self, now_s: f64) -> Result<(), Refusal> {
        if !matches!(self.state, State::Armed | State::Running) {
            return Err(self.refusal());
        }
        if self.beliefs.iter().any(|belief| belief.may_be_live()) {
            let cause =
                TripCause::Run { what: "an output was not confirmed off at the end of the run".into() };
            self.fault(now_s, cause.clone());
            return Err(Refusal::Tripped(cause));
        }
        self.state = State::Safe;
        Ok(())
    }

    /// A person's reset; never energises. Needs the nonce issued with the trip.
    pub fn reset(&mut self, nonce: u64) -> Result<(), Refusal> {
        let matches = self.trip.as_ref().is_some_and(|trip| trip.nonce == nonce);
        if self.state != State::Tripped || !matches {
            return Err(self.refusal());
        }
        self.trip = None;
        self.state = State::Safe;
        Ok(())
    }

    fn refusal(&self) -> Refusal {
        Refusal::State { state: self.state, cause: self.trip.as_ref().map(|trip| trip.cause.clone()) }
    }
}

// Written as "beyond unless value <= limit", since every comparison with NaN is false.
fn above(limit: &str, value: f64, allowed: f64) -> Option<TripCause> {
    let inside = value <= allowed;
    (!inside).then(|| TripCause::Limit { limit: limit.into(), value, allowed })
}

fn below(limit: &str, value: f64, allowed: f64) -> Option<TripCause> {
    let inside = value >= allowed && value.is_finite();
    (!inside).then(|| TripCause::Limit { limit: limit.into(), value, allowed })
}
