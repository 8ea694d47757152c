//! The state machine. Transitions:
//!
//! ```text
//! BOOT     --every output confirmed off-------->  SAFE
//! BOOT     --off deadline passed--------------->  ALARM
//! SAFE     --arm------------------------------->  ARMED
//! ARMED    --first energising command---------->  RUNNING
//! ARMED, RUNNING --disarm, all confirmed off--->  SAFE
//! BOOT, SAFE, ARMED, RUNNING --fault----------->  TRIPPING
//! TRIPPING --every output confirmed off-------->  TRIPPED
//! TRIPPING --off deadline passed--------------->  ALARM
//! TRIPPED  --output live, or doubtful too long->  ALARM
//! ALARM    --every output confirmed off-------->  TRIPPED
//! TRIPPED  --reset with the present number----->  SAFE
//! any      --measured live though read back off>  ALARM
//! ```
//!
//! A fault is anything from a limit to a stop. From TRIPPED nothing but a reset leads towards energising; ALARM
//! is the stricter latch, entered when what was believed turns out wrong.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::belief::Known;
use crate::further::{Further, FurtherTemperature};
use crate::gate::Playing;
use crate::heat::{LoadDuty, LoadHeat};
use crate::latch::{LatchRecord, Nonces, Trip};
use crate::plausible::Plausible;
use crate::reading::Seen;
use crate::{Belief, Doubt, Limits, MessageKind, Output, Ratings, Refusal, TripCause};

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
    /// An output could not be confirmed off in time, or was measured live after it had been.
    Alarm,
}

/// The clock may seem to run back by this much, s: threads look at it before they get their turn here.
const BACK_S: f64 = 0.5;
/// Oldest reading that a reset is based on, s.
const RESET_AGE_S: f64 = 60.0;

/// The guard of one bench. All times are seconds on one monotonic clock, handed in.
#[derive(Debug, Clone)]
pub struct Guard {
    pub(crate) limits: Limits,
    pub(crate) ratings: Ratings,
    pub(crate) state: State,
    pub(crate) known: [Known; 2],
    trip: Option<Trip>,
    /// When the last cause came; only what was asked for since speaks for a reset.
    pub(crate) cause_s: f64,
    pub(crate) seen: Seen,
    pub(crate) playing: Playing,
    /// Since when nothing is played.
    pub(crate) quiet_s: Option<f64>,
    pub(crate) load_ohm: Option<f64>,
    /// Whether its impedance rises at some frequencies.
    pub(crate) load_moves: bool,
    pub(crate) supply_limit_a: Option<f64>,
    pub(crate) heat: LoadHeat,
    pub(crate) further: Further,
    pub(crate) supply_fresh_s: f64,
    pub(crate) heatsink_fresh_s: f64,
    pub(crate) plausible: Plausible,
    pub(crate) power_since_s: Option<f64>,
    pub(crate) switched_on: VecDeque<f64>,
    pub(crate) off_deadline_s: f64,
    /// Since when outputs should have been confirmed off.
    due_since_s: Option<f64>,
    last_s: Option<f64>,
    nonces: Nonces,
}

impl Guard {
    /// A guard in BOOT. `off_deadline_s`: how long outputs may take to be confirmed off, and to be measured dead
    /// after that, before ALARM. `nonce_seed`: a number that differs from boot to boot and can't be guessed.
    pub fn new(limits: Limits, off_deadline_s: f64, nonce_seed: u64) -> Self {
        Guard {
            limits,
            ratings: Ratings::default(),
            state: State::Boot,
            known: [Known::default(); 2],
            trip: None,
            cause_s: f64::NEG_INFINITY,
            seen: Seen::default(),
            playing: Playing { source_on: false, level_vrms: None },
            quiet_s: None,
            load_ohm: None,
            load_moves: false,
            supply_limit_a: None,
            heat: LoadHeat::default(),
            further: Further::default(),
            supply_fresh_s: f64::NEG_INFINITY,
            heatsink_fresh_s: f64::NEG_INFINITY,
            plausible: Plausible::default(),
            power_since_s: None,
            switched_on: VecDeque::new(),
            off_deadline_s,
            due_since_s: None,
            last_s: None,
            nonces: Nonces::new(nonce_seed),
        }
    }

    /// A guard in TRIPPED or ALARM, as the one of an earlier boot was left, with a new number for the reset.
    pub fn restored(limits: Limits, off_deadline_s: f64, nonce_seed: u64, latch: LatchRecord) -> Self {
        let mut guard = Guard::new(limits, off_deadline_s, nonce_seed);
        let LatchRecord { alarm, at_s, cause, evidence, evidence_more } = latch;
        let nonce = guard.nonces.fresh();
        guard.trip = Some(Trip { at_s, cause, nonce, evidence, evidence_more });
        guard.state = if alarm { State::Alarm } else { State::Tripped };
        guard
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

    /// What of the latched trip must outlast a restart, if anything.
    pub fn latch(&self) -> Option<LatchRecord> {
        LatchRecord::of(self.state, self.trip.as_ref()?)
    }

    /// Belief about an output.
    pub fn belief(&self, output: Output) -> Belief {
        self.known[output as usize].belief()
    }

    /// Whether every output is believed off.
    pub fn all_off(&self) -> bool {
        self.known.iter().all(|known| !known.belief().may_be_live())
    }

    /// Whether outputs must be switched off and read back now: a trip is being carried out, or what was confirmed has
    /// become doubtful where nothing may be live.
    pub fn needs_off(&self) -> bool {
        match self.state {
            State::Tripping | State::Alarm => true,
            State::Boot | State::Tripped => !self.all_off(),
            State::Safe | State::Armed | State::Running => false,
        }
    }

    /// Tightens the limits; a looser value changes nothing.
    pub fn tighten(&mut self, other: &Limits) {
        self.limits = self.limits.tightened(other);
    }

    /// Watches further temperatures; those with a limit must be read as often as supply current and heatsink.
    pub fn watch_temperatures(&mut self, temperatures: impl IntoIterator<Item = FurtherTemperature>) {
        self.further.watch(temperatures);
    }

    /// One more duty of the load, for each amplifier channel; every one that was given holds, so that none is ever
    /// loosened. It counts as warm as it may be, since nothing is known of what went before.
    pub fn limit_load(&mut self, duty: LoadDuty) {
        self.heat.limit(duty);
    }

    /// Whether the load's impedance rises at some frequencies, as a loudspeaker's does: what is commanded is its lowest then,
    /// and a higher one no contradiction.
    pub fn load_moves(&mut self, moves: bool) {
        self.load_moves = moves;
    }

    /// Mean power of the bursts to come over that of their loud part; a steady level ends it.
    pub fn burst_share(&mut self, now_s: f64, share: f64) {
        self.advance(now_s);
        self.heat.share(Some(share));
    }

    /// Load resistance of every channel as commanded last, ohm.
    pub fn load_ohm(&self) -> Option<f64> {
        self.load_ohm
    }

    /// How long a level may be held from now on for the load's sake, s, as far as its power is known. `share` is the
    /// mean power of bursts over that of their loud part, 1 for a steady tone.
    pub fn load_room_s(&mut self, now_s: f64, level_vrms: f64, share: f64) -> f64 {
        self.advance(now_s);
        self.heat.room_s(level_vrms, self.load_ohm, share)
    }

    /// The same with a load that is cold, s.
    pub fn load_room_cold_s(&self, level_vrms: f64, share: f64) -> f64 {
        self.heat.room_cold_s(level_vrms, self.load_ohm, share)
    }

    /// How long with the source off until a level may be held for `seconds`, s; none where it never may.
    pub fn load_cool_s(&mut self, now_s: f64, level_vrms: f64, share: f64, seconds: f64) -> Option<f64> {
        self.advance(now_s);
        self.heat.cool_s(level_vrms, self.load_ohm, share, seconds)
    }

    /// Takes over what the instruments say they can be set to; arming is refused while a limit is above it.
    pub fn rate(&mut self, ratings: Ratings) {
        self.ratings = ratings;
    }

    /// Whether a message of this kind may leave now. Energising ones need [`Guard::permit`] as well.
    pub fn may_send(&self, now_s: f64, kind: MessageKind) -> Result<(), Refusal> {
        let allowed = kind.allowed(self.state, self.all_off(), self.is_fresh(now_s));
        if allowed { Ok(()) } else { Err(self.refusal()) }
    }

    /// A fault from anywhere. The first one is latched, later ones are kept beside it; returns only the first. A gap in
    /// time comes before what is found after it: whoever was late then, it was for the gap.
    pub fn fault(&mut self, now_s: f64, cause: TripCause) -> Option<Trip> {
        let gap = self.advance(now_s);
        let first = self.latch_cause(now_s, cause);
        gap.or(first)
    }

    fn latch_cause(&mut self, now_s: f64, cause: TripCause) -> Option<Trip> {
        if let Some(trip) = &mut self.trip {
            if trip.add(now_s, cause) {
                trip.nonce = self.nonces.fresh();
                self.cause_s = now_s;
                self.seen = Seen::default();
            }
            return None;
        }
        let nonce = self.nonces.fresh();
        let trip = Trip { at_s: now_s, cause, nonce, evidence: Vec::new(), evidence_more: 0 };
        self.trip = Some(trip.clone());
        self.state = State::Tripping;
        self.cause_s = now_s;
        self.seen = Seen::default();
        self.due_since_s.get_or_insert(now_s);
        // What was off is switched off and read back again: the fault may have changed it.
        self.known.iter_mut().for_each(Known::doubted);
        Some(trip)
    }

    /// An output is live, or may be, where it must not be.
    pub(crate) fn alarm(&mut self, now_s: f64, cause: TripCause) -> Option<Trip> {
        let trip = self.latch_cause(now_s, cause);
        self.state = State::Alarm;
        self.due_since_s = None;
        self.cause_s = now_s;
        self.seen = Seen::default();
        trip
    }

    /// An instrument with an output can no longer be believed to be as it was left. While RUNNING a lost step alone
    /// is no fault: the output counts as on anyway.
    pub fn doubt(&mut self, now_s: f64, output: Output, doubt: Doubt) -> Option<Trip> {
        self.advance(now_s);
        self.known[output as usize].doubted();
        match self.state {
            State::Running if doubt == Doubt::Step => None,
            State::Safe | State::Armed | State::Running => {
                self.fault(now_s, TripCause::Instrument { what: format!("the {output} {doubt}") })
            }
            State::Boot | State::Tripping | State::Tripped => {
                self.due_since_s.get_or_insert(now_s);
                None
            }
            State::Alarm => None,
        }
    }

    /// The source was switched off on purpose between steps; `confirmed`: it was read back so. Else it counts as
    /// playing on at its level.
    pub fn source_off(&mut self, now_s: f64, confirmed: bool) {
        if confirmed {
            self.power_since_s = None;
        }
        self.confirm(now_s, Output::Source, confirmed);
    }

    /// What the read-back after an OFF said. Moves BOOT to SAFE and TRIPPING or ALARM to TRIPPED once all are off.
    pub fn confirm(&mut self, now_s: f64, output: Output, off: bool) {
        self.advance(now_s);
        self.known[output as usize].read_back(now_s, off);
        if output == Output::Source && off {
            self.playing.source_on = false;
            self.play(now_s, None);
        }
        self.settle(now_s);
        if !off && matches!(self.state, State::Safe | State::Armed) {
            let what = format!("the {output} is not off although nothing switched it on");
            self.fault(now_s, TripCause::Instrument { what });
        }
        self.tick(now_s);
    }

    /// Where the beliefs lead.
    pub(crate) fn settle(&mut self, now_s: f64) {
        if !self.all_off() {
            if self.state == State::Tripped {
                self.due_since_s.get_or_insert(now_s);
            }
            return;
        }
        self.due_since_s = None;
        match self.state {
            State::Boot => self.state = State::Safe,
            State::Tripping | State::Alarm => self.state = State::Tripped,
            _ => {}
        }
    }

    /// Judges the passing of time.
    pub fn tick(&mut self, now_s: f64) -> Option<Trip> {
        if let Some(trip) = self.advance(now_s) {
            return Some(trip);
        }
        if matches!(self.state, State::Boot | State::Tripped) && !self.all_off() {
            self.due_since_s.get_or_insert(now_s);
        }
        if let Some(since_s) = self.due_since_s
            && !(now_s - since_s <= self.off_deadline_s)
        {
            let what = "an output was not confirmed off in time".to_string();
            return self.alarm(now_s, TripCause::Contradiction { what });
        }
        if self.state != State::Running {
            return None;
        }
        if let Some(cause) = self.stale(now_s) {
            return self.fault(now_s, cause);
        }
        let cause = self.too_long(now_s).or_else(|| self.heat.too_hot());
        cause.and_then(|cause| self.fault(now_s, cause))
    }

    /// Takes over the time. While a run may energise, a clock that stands still or runs back trips.
    pub(crate) fn advance(&mut self, now_s: f64) -> Option<Trip> {
        let gap_s = now_s - self.last_s.unwrap_or(now_s);
        let back = !(gap_s >= -BACK_S);
        if back {
            self.rebase(now_s);
        }
        self.last_s = self.last_s.filter(|last_s| !back && *last_s > now_s).or(Some(now_s));
        self.heat.pass(now_s);
        let watched = matches!(self.state, State::Armed | State::Running);
        if watched && (back || !(gap_s <= self.limits.reading_age_s_max)) {
            return self.latch_cause(now_s, TripCause::Clock { gap_s });
        }
        None
    }

    /// After a clock ran back: deadlines begin afresh, and nothing counts as fresh or seen that would lie ahead.
    fn rebase(&mut self, now_s: f64) {
        self.due_since_s = self.due_since_s.map(|_| now_s);
        self.known.iter_mut().for_each(|known| known.rebase(now_s));
        (self.supply_fresh_s, self.heatsink_fresh_s) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        self.further.rebase();
        self.seen = Seen::default();
        self.cause_s = self.cause_s.min(now_s);
        self.quiet_s = self.quiet_s.map(|_| now_s);
    }

    /// A new number to quote, shown to a person with cause and evidence; the one before is worth nothing from now.
    pub fn renew_nonce(&mut self) -> Option<u64> {
        let trip = self.trip.as_mut()?;
        trip.nonce = self.nonces.fresh();
        Some(trip.nonce)
    }

    /// A person's reset; never energises. Needs the present number, every output confirmed off, and supply current,
    /// output voltage and heatsink measured within their limits since the last cause.
    pub fn reset(&mut self, now_s: f64, nonce: u64) -> Result<(), Refusal> {
        self.advance(now_s);
        let Some(trip) = self.trip.as_ref().filter(|_| self.state == State::Tripped) else {
            return Err(self.refusal());
        };
        if trip.nonce != nonce {
            return Err(Refusal::Nonce);
        }
        let off = |output: &Output| self.belief(*output) == Belief::Off;
        if let Some(output) = Output::SAFE_ORDER.into_iter().find(|output| !off(output)) {
            return Err(Refusal::NotOff(output));
        }
        if let Some(missing) = self.seen.missing(now_s, RESET_AGE_S) {
            return Err(Refusal::CauseStands(missing));
        }
        if self.further.is_missing(&self.seen.further_s, now_s - RESET_AGE_S) {
            return Err(Refusal::CauseStands("a temperature of the bench file"));
        }
        self.trip = None;
        self.state = State::Safe;
        Ok(())
    }

    pub(crate) fn refusal(&self) -> Refusal {
        Refusal::State { state: self.state, cause: self.trip.as_ref().map(|trip| trip.cause.clone()) }
    }
}
