//! The ceiling search as a state machine: one observation in, the next thing to do out.
//!
//! A look at the small-signal gain, a climb that never steps further than a hard clip stays harmless (or a probe or
//! ramp that looks ahead), then the transfer curve of the first capture near the ceiling says where to capture last.

use crate::conclude::Bound;
use crate::drift::Drift;
use crate::estimate;
use crate::failure::Failure;
use crate::next::{Next, Record};
use crate::observe::{Look, Observation};
use crate::points::{Point, Points};
use crate::side::Side;
use crate::sought::{Sought, SoughtError};
use crate::trip::CREEP_DB;

/// Refusals in a row that end the search.
const REFUSALS_MAX: usize = 3;
/// Time a loud level is held before it is captured, s, as long as nothing drifts.
const HOLD_S: f64 = 0.05;
/// How far above the loudest capture its gain is that of the level commanded, dB, and the gain that a dead zone may hide
/// further up, dB: up to 2.5 dB were seen (own models of crossover), common practice gives no figure.
const SEEN_DB: f64 = 8.0;
const HIDDEN_DB: f64 = 3.0;
/// Most captures made again because the output still fell.
const AGAIN_MAX: usize = 5;

/// A ceiling search under way.
#[derive(Debug, Clone)]
pub struct CeilingSearch {
    pub(crate) sought: Sought,
    pub(crate) points: Points,
    /// Short looks at levels that were not held, in order.
    pub(crate) looks: Vec<Look>,
    pub(crate) captures: usize,
    pub(crate) trips_db: Vec<f64>,
    pub(crate) creep_db: f64,
    pub(crate) drift: Drift,
    again: usize,
    pub(crate) creeping: bool,
    pub(crate) creeps: usize,
    /// Captures before this one were made while the amplifier still drifted.
    pub(crate) since: usize,
    /// Level of the last capture that drifted, to be made again with a longer hold.
    again_db: Option<(f64, f64)>,
    drifted_db: Option<(f64, f64)>,
    /// Loud captures that were made again because the output still fell.
    pub(crate) drifted: Vec<Point>,
    commanded: Option<f64>,
    /// How long a record the last capture was.
    pub(crate) record: Record,
    refusals: usize,
    pub(crate) ramping: bool,
    pub(crate) recovering: bool,
    outcome: Option<Next>,
}

impl CeilingSearch {
    /// Starts a search.
    ///
    /// # Errors
    /// [`SoughtError`] where the question itself is unusable or the first level could be harmful.
    pub fn new(sought: Sought) -> Result<Self, SoughtError> {
        sought.check()?;
        let points = Points { level_scatter_db: sought.level_scatter_db, ..Points::default() };
        Ok(Self {
            sought,
            points,
            looks: Vec::new(),
            captures: 0,
            trips_db: Vec::new(),
            creep_db: CREEP_DB,
            drift: Drift::default(),
            again: 0,
            creeping: false,
            creeps: 0,
            since: 0,
            again_db: None,
            drifted_db: None,
            drifted: Vec::new(),
            commanded: None,
            record: Record::Whole,
            refusals: 0,
            ramping: false,
            recovering: false,
            outcome: None,
        })
    }

    /// The question being answered.
    #[must_use]
    pub fn sought(&self) -> &Sought {
        &self.sought
    }

    /// Observations used so far.
    #[must_use]
    pub fn captures(&self) -> usize {
        self.captures
    }

    /// Takes the last observation and says what to do next. The first call and the call after
    /// [`Next::CoolDown`] take `None`. Once done or failed, the same answer is repeated.
    pub fn next(&mut self, last: Option<&Observation>) -> Next {
        if let Some(outcome) = &self.outcome {
            return outcome.clone();
        }
        let next = self.step(last);
        self.ramping = matches!(next, Next::Ramp { .. });
        self.creeping = self.ramping && !self.trips_db.is_empty();
        self.creeps += usize::from(self.creeping);
        match &next {
            Next::Set { level_vrms, record, .. } | Next::Probe { level_vrms, record, .. } => {
                self.commanded = Some(*level_vrms);
                self.record = *record;
            }
            Next::Ramp { to_vrms, .. } => self.commanded = Some(*to_vrms),
            Next::CoolDown { .. } => {}
            Next::Done(_) | Next::Failed(_) => self.outcome = Some(next.clone()),
        }
        next
    }

    fn step(&mut self, last: Option<&Observation>) -> Next {
        let Some(commanded) = self.commanded else {
            return Next::Set {
                level_vrms: self.sought.level_vrms_start,
                hold_s: 0.0,
                record: Record::Whole,
                why: "small-signal gain and noise",
            };
        };
        if self.recovering {
            self.recovering = false;
            return self.decide();
        }
        // A call without an observation costs a capture too, so that the search ends whatever a caller does.
        self.captures += 1;
        let Some(seen) = last else { return self.on_refusal(commanded) };
        let looked = seen.looks.iter().filter(|look| look.level_vrms.is_finite() && look.level_vrms > 0.0);
        self.looks.extend(looked.cloned());
        if seen.tripped {
            return self.on_trip(seen, commanded);
        }
        if self.ramping {
            return if seen.refused || seen.looks.is_empty() {
                self.on_refusal(commanded)
            } else {
                self.decide()
            };
        }
        if seen.refused {
            return self.on_refusal(commanded);
        }
        match Point::new(seen, &self.sought, self.captures) {
            Some(mut point) => {
                point.brief = self.record == Record::Brief;
                self.refusals = 0;
                self.forget_drifted();
                self.on_drift(&point);
                if self.points.add(point) { self.decide() } else { Next::Failed(Failure::ChannelsChanged) }
            }
            None => self.on_refusal(commanded),
        }
    }

    /// A loud output that falls within its record isn't sustained yet: hold longer, and forget what was seen before.
    fn on_drift(&mut self, point: &Point) {
        self.again_db = None;
        let loud = self.points.predicted_w(point.x_db).is_some_and(|w| w > 0.05 * self.sought.rated_w);
        if !loud {
            return;
        }
        // Noise moves the mean of a quarter record by about its share over the root of its independent samples.
        let noise = point.highest(|c| Some(c.noise_vrms? / c.fundamental_vrms?)).unwrap_or(0.0);
        let noise_db = 8.7 * noise / (1e4 * point.seen.record_s.max(1e-3)).sqrt();
        let taken = self.drift.take(point, noise_db);
        let share = point.own.map(|_| estimate::share_of_rail(point));
        let hold_s = taken.or_else(|| self.drift.hidden(point.seen.held_s, share?));
        if let Some(hold_s) = hold_s.filter(|_| self.again < AGAIN_MAX) {
            self.again += 1;
            self.since = point.order + 1;
            self.again_db = Some((point.x_db, hold_s));
            self.drifted_db = self.again_db;
            self.drifted.push(point.clone());
        }
    }

    /// A capture that was made again because the output still fell has had its day, with those beside it.
    fn forget_drifted(&mut self) {
        if let Some((level_db, _)) = self.drifted_db.take() {
            let since = self.since;
            self.points.all.retain(|p| p.order >= since || (p.x_db - level_db).abs() > 0.3);
        }
    }

    /// Once more at the same level; while nothing was ever read, louder, as far as the highest gain allows.
    pub(crate) fn on_refusal(&mut self, commanded: f64) -> Next {
        self.refusals += 1;
        if self.captures >= self.sought.captures_max {
            return self.conclude_now();
        }
        let louder = 2.0 * commanded;
        let harmless = self.sought.worst_case_w(louder)
            <= 0.1 * self.sought.rated_w.min(self.sought.out_w_max)
            && louder <= self.sought.level_vrms_max;
        let hold_s = HOLD_S;
        if self.points.all.is_empty() && harmless {
            let why = "reading refused; louder, still harmless at any gain";
            return Next::Set { level_vrms: louder, hold_s, record: Record::Whole, why };
        }
        if self.refusals >= REFUSALS_MAX {
            return Next::Failed(Failure::Refused { refusals: self.refusals, level_vrms: commanded });
        }
        if self.ramping {
            // A ramp isn't repeated at its end, which was never held.
            return self.decide();
        }
        let why = "reading refused; once more";
        Next::Set { level_vrms: commanded, hold_s, record: Record::Whole, why }
    }

    pub(crate) fn last_good_db(&self) -> Option<f64> {
        let sides = self.points.sides(&self.sought);
        sides.iter().rposition(|s| *s == Side::Good).map(|i| self.points.all[i].x_db)
    }

    pub(crate) fn decide(&mut self) -> Next {
        if self.captures >= self.sought.captures_max {
            return self.conclude_now();
        }
        let sides = self.points.sides(&self.sought);
        if let Some((again_db, hold_s)) = self.again_db.take()
            && let Next::Set { level_vrms, .. } = self.set(again_db, "")
        {
            let why = "output still falling; hold longer";
            return Next::Set { level_vrms, hold_s, record: Record::Whole, why };
        }
        match sides.iter().position(Side::is_broken) {
            Some(first) => self.close_in(&sides, first),
            None => self.climb(),
        }
    }

    /// Highest level that may be commanded, dB, and what sets it.
    pub(crate) fn highest_db(&self) -> Option<(f64, Bound)> {
        let range_db = 20.0 * self.sought.level_vrms_max.log10();
        let declared_db = self.points.level_for_db(self.sought.out_w_max)?.sure_db;
        Some(if declared_db < range_db {
            (declared_db, Bound::DeclaredMax)
        } else {
            (range_db, Bound::Range)
        })
    }

    /// Commands a level, held inside the source's range, the declared maximum and below any trip.
    pub(crate) fn set(&self, x_db: f64, why: &'static str) -> Next {
        self.set_for(x_db, Record::Whole, why)
    }

    pub(crate) fn set_for(&self, x_db: f64, record: Record, why: &'static str) -> Next {
        match self.permitted_vrms(x_db) {
            Some(level_vrms) => Next::Set { level_vrms, hold_s: self.hold_for(level_vrms), record, why },
            None => Next::Failed(Failure::NoLevel),
        }
    }

    pub(crate) fn permitted_vrms(&self, x_db: f64) -> Option<f64> {
        let (highest_db, _) = self.highest_db()?;
        // Far above all that was captured a dead zone may still hide gain.
        let top_db = self.points.all.last()?.x_db;
        let highest_db = highest_db.min((top_db + SEEN_DB).max(highest_db - HIDDEN_DB));
        let x_db = x_db.min(highest_db).min(self.trip_db() - 1e-3);
        let level_vrms = 10f64.powf(x_db / 20.0).min(self.sought.level_vrms_max);
        (level_vrms.is_finite() && level_vrms > 0.0).then_some(level_vrms)
    }

    /// Quiet levels need no hold: nothing warms or sags.
    pub(crate) fn hold_for(&self, level_vrms: f64) -> f64 {
        let quiet = self
            .points
            .predicted_w(20.0 * level_vrms.log10())
            .is_some_and(|w| w < 0.05 * self.sought.rated_w);
        if quiet { 0.0 } else { self.drift.hold_s().max(HOLD_S) }
    }
}
