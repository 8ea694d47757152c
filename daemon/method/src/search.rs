//! The ceiling search as a state machine: one observation in, the next thing to do out.
//!
//! Climb by safe steps until a capture breaks the limit with a knee (or loses too much gain), then close in on
//! the crossing: a local fit of ln(distortion/limit) against dB, inside a bracket that only shrinks.

use crate::ceiling::Ceiling;
use crate::conclude::{self, Bound};
use crate::fit::{self, Crossing};
use crate::observe::Observation;
use crate::points::{Point, Points, Side};
use crate::sought::{Sought, SoughtError};

/// Largest step when loud, dB: from just below the limit a hard clip stays under 10 %.
const STEP_DB: f64 = 1.9;
/// Where "loud" begins, dB re rated power.
const LOUD_DB: f64 = -10.0;
/// Largest step while the gain can't be trusted, dB.
const UNSURE_JUMP_DB: f64 = 8.0;
/// Captures after which even a last capture at the answer is no longer waited for.
const CAPTURES_LATE: usize = 26;
/// Distance above the ceiling at which a limiter and a bending waveform differ clearly, dB.
const TELL_DB: f64 = 1.8;
/// Step after a trip, dB.
const CREEP_DB: f64 = 0.04;
/// How near the answer a capture must lie, dB.
const NEAR_DB: f64 = 0.055;
/// Standard error of the level that needs no further capture, dB.
const SE_ENOUGH_DB: f64 = 0.025;
/// Captures after which a small gain in certainty is no longer worth the heat.
const CAPTURES_SOFT: usize = 17;
/// Refusals in a row that end the search.
const REFUSALS_MAX: usize = 3;

/// What to do next.
#[derive(Debug, Clone, PartialEq)]
pub enum Next {
    /// Set the source to this level, settle, capture, and call again with the observation.
    Set {
        /// Source level, V rms.
        level_vrms: f64,
        /// What the capture is for.
        why: &'static str,
    },
    /// Source off until the amplifier has recovered; then call again with `None`.
    CoolDown {
        /// Why it has to recover.
        why: &'static str,
    },
    /// The ceiling is known.
    Done(Box<Ceiling>),
    /// There is no answer, and why.
    Failed(Failure),
}

/// Why a search ended without a ceiling.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Failure {
    /// Readings were refused several times in a row.
    #[error(
        "ceiling search: {refusals} readings in a row were refused at {level_vrms:.5} V rms; check wiring, range and capture length"
    )]
    Refused {
        /// How many.
        refusals: usize,
        /// Source level of the last, V rms.
        level_vrms: f64,
    },
    /// The amplifier tripped before any capture kept the limit.
    #[error(
        "ceiling search: protection tripped at {level_vrms:.5} V rms before any good capture; check load and supply"
    )]
    TrippedAtOnce {
        /// Source level of the trip, V rms.
        level_vrms: f64,
    },
    /// No level kept the limit.
    #[error(
        "ceiling search: distortion never fell to {limit_pct} % (lowest {lowest_pct:.3} %); check noise, range and the rating's band"
    )]
    NeverBelowLimit {
        /// The limit, percent.
        limit_pct: f64,
        /// Lowest figure seen, percent.
        lowest_pct: f64,
    },
    /// The capture budget ran out before the ceiling was bracketed.
    #[error(
        "ceiling search: {captures} captures used without reaching the ceiling; raise captures_max or the start level"
    )]
    CapturesExhausted {
        /// Captures used.
        captures: usize,
    },
    /// Observations don't belong together.
    #[error("ceiling search: the number of driven channels changed during the search; keep them the same")]
    ChannelsChanged,
    /// The next safe level can't be told.
    #[error("ceiling search: no safe next level can be computed; check the gain and load readings")]
    NoLevel,
}

/// A ceiling search under way.
#[derive(Debug, Clone)]
pub struct CeilingSearch {
    sought: Sought,
    points: Points,
    captures: usize,
    commanded: Option<f64>,
    refusals: usize,
    trips_db: Vec<f64>,
    creep_db: f64,
    recovering: bool,
    outcome: Option<Next>,
}

impl CeilingSearch {
    /// Starts a search.
    ///
    /// # Errors
    /// [`SoughtError`] where the question itself is unusable or the first level could be harmful.
    pub fn new(sought: Sought) -> Result<Self, SoughtError> {
        sought.check()?;
        Ok(Self {
            sought,
            points: Points::default(),
            captures: 0,
            commanded: None,
            refusals: 0,
            trips_db: Vec::new(),
            creep_db: CREEP_DB,
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
        match &next {
            Next::Set { level_vrms, .. } => self.commanded = Some(*level_vrms),
            Next::CoolDown { .. } => {}
            Next::Done(_) | Next::Failed(_) => self.outcome = Some(next.clone()),
        }
        next
    }

    fn step(&mut self, last: Option<&Observation>) -> Next {
        let Some(commanded) = self.commanded else {
            return Next::Set {
                level_vrms: self.sought.level_vrms_start,
                why: "small-signal gain and noise",
            };
        };
        if self.recovering {
            self.recovering = false;
            return self.decide();
        }
        // A call without an observation costs a capture too, so that the search ends whatever a caller does.
        self.captures += 1;
        match last {
            Some(seen) if seen.tripped => self.on_trip(seen, commanded),
            Some(seen) if !seen.refused => match Point::new(seen, &self.sought, self.captures) {
                Some(point) => {
                    self.refusals = 0;
                    if self.points.add(point) {
                        self.decide()
                    } else {
                        Next::Failed(Failure::ChannelsChanged)
                    }
                }
                None => self.on_refusal(commanded),
            },
            _ => self.on_refusal(commanded),
        }
    }

    /// Once more at the same level; while nothing was ever read, louder, as far as the highest gain allows.
    fn on_refusal(&mut self, commanded: f64) -> Next {
        self.refusals += 1;
        if self.captures >= self.sought.captures_max {
            return self.conclude_now();
        }
        let louder = 2.0 * commanded;
        let harmless = self.sought.worst_case_w(louder)
            <= 0.1 * self.sought.rated_w.min(self.sought.out_w_max)
            && louder <= self.sought.level_vrms_max;
        if self.points.all.is_empty() && harmless {
            return Next::Set {
                level_vrms: louder,
                why: "reading refused; louder, still harmless at any gain",
            };
        }
        if self.refusals >= REFUSALS_MAX {
            return Next::Failed(Failure::Refused { refusals: self.refusals, level_vrms: commanded });
        }
        Next::Set { level_vrms: commanded, why: "reading refused; once more" }
    }

    fn on_trip(&mut self, seen: &Observation, commanded: f64) -> Next {
        let at =
            if seen.level_vrms.is_finite() && seen.level_vrms > 0.0 { seen.level_vrms } else { commanded };
        let trip_db = 20.0 * at.log10();
        // Captures at or above a level that trips now say nothing about what the amplifier sustains.
        self.points.all.retain(|p| p.x_db < trip_db - 1e-6);
        self.trips_db.push(trip_db);
        let Some(good_db) = self.last_good_db() else {
            return Next::Failed(Failure::TrippedAtOnce { level_vrms: at });
        };
        if self.trips_db.len() >= 2 {
            return self.finish(self.below_trip_db(good_db), Bound::Trip);
        }
        let left = self.sought.captures_max.saturating_sub(self.captures + 2).max(1) as f64;
        self.creep_db = ((trip_db - good_db) / left).max(CREEP_DB);
        self.recovering = true;
        Next::CoolDown { why: "protection tripped; wait for recovery, then creep up from below" }
    }

    fn last_good_db(&self) -> Option<f64> {
        let sides = self.points.sides(&self.sought);
        sides.iter().rposition(|s| *s == Side::Good).map(|i| self.points.all[i].x_db)
    }

    fn trip_db(&self) -> f64 {
        self.trips_db.iter().copied().fold(f64::INFINITY, f64::min)
    }

    /// Half a step above the last good level, or half-way to the trip where that is nearer.
    fn below_trip_db(&self, good_db: f64) -> f64 {
        good_db + 0.5 * self.creep_db.min((self.trip_db() - good_db).max(0.0))
    }

    fn decide(&mut self) -> Next {
        if self.captures >= self.sought.captures_max {
            return self.conclude_now();
        }
        let sides = self.points.sides(&self.sought);
        let broken = |s: &Side| matches!(s, Side::Distorted | Side::Compressed);
        match sides.iter().position(broken) {
            Some(first) => self.settle(&sides, first),
            None => self.climb(),
        }
    }

    /// Highest level that may be commanded, dB, and what sets it.
    fn highest_db(&self) -> Option<(f64, Bound)> {
        let range_db = 20.0 * self.sought.level_vrms_max.log10();
        let declared_db = 10.0 * (self.sought.out_w_max / self.points.predicted_w(0.0)?).log10();
        Some(if declared_db < range_db {
            (declared_db, Bound::DeclaredMax)
        } else {
            (range_db, Bound::Range)
        })
    }

    fn climb(&mut self) -> Next {
        let (Some(top), Some((highest_db, bound))) = (self.points.all.last(), self.highest_db()) else {
            return self.on_refusal(self.commanded.unwrap_or(self.sought.level_vrms_start));
        };
        let top_db = top.x_db;
        let Some(predicted_w) = self.points.predicted_w(top_db) else {
            return Next::Failed(Failure::NoLevel);
        };
        let below_loud_db = LOUD_DB - 10.0 * (predicted_w / self.sought.rated_w).log10();
        if self.points.all.len() == 1 && below_loud_db < 2.0 && self.trips_db.is_empty() {
            return self.set(top_db - 20.0, "small-signal gain, below the loud start level");
        }
        let (step, why) = if !self.trips_db.is_empty() {
            (self.creep_db, "creep up to the trip")
        } else if below_loud_db > STEP_DB {
            (below_loud_db.min(self.trusted_jump_db()), "base level, well below the rating")
        } else {
            (self.safe_step_db(), "safe step up")
        };
        if top_db >= highest_db - 0.005 {
            return self.bounded(top_db, bound);
        }
        if top_db + step >= self.trip_db() - 1e-6 {
            return self.bounded(self.below_trip_db(top_db), Bound::Trip);
        }
        let target = if top_db + step > highest_db - 0.2 { highest_db } else { top_db + step };
        self.set(target.min(self.trip_db() - 1e-3), why)
    }

    /// How far the gain read at the top capture reaches. Distortion that noise doesn't explain may be a dead
    /// zone, in which the gain reads low.
    fn trusted_jump_db(&self) -> f64 {
        let Some(top) = self.points.all.last() else { return STEP_DB };
        let noise_pct = top.highest(|c| Some(100.0 * c.noise_vrms? / c.fundamental_vrms?)).unwrap_or(0.0);
        let clean = top.distortion_pct <= self.sought.limit_pct || noise_pct > 0.7 * top.distortion_pct;
        if clean { f64::INFINITY } else { UNSURE_JUMP_DB }
    }

    /// How far to step: never beyond `STEP_DB`, less where the trend says the limit is near.
    fn safe_step_db(&self) -> f64 {
        let all = &self.points.all;
        let n = all.len();
        if n < 3 {
            return STEP_DB;
        }
        let (i, j) = (n - 2, n - 1);
        let run = all[j].x_db - all[i].x_db;
        let mut step = STEP_DB;
        let excess = self.points.excess(j, self.sought.limit_pct);
        let slope = (excess - self.points.excess(i, self.sought.limit_pct)) / run;
        if run > 0.02 && excess > -2.3 && slope > 0.1 {
            step = step.min((1.1 * -excess / slope).max(0.0) + 0.25).max(0.4);
        }
        if excess > 0.0 {
            step = step.min(1.0);
        }
        let lost = self.points.compression_db(j);
        let rate = (lost - self.points.compression_db(i)) / run;
        if run > 0.02 && lost > 0.5 && rate > 0.1 {
            step = step.min(((self.sought.compression_db_max - lost) / rate + 0.1).max(0.2));
        }
        step
    }

    fn bounded(&mut self, x_db: f64, bound: Bound) -> Next {
        let last_good = self.last_good_db();
        match last_good {
            Some(good_db) if good_db >= x_db - STEP_DB => {
                self.finish(x_db.min(good_db + self.creep_db), bound)
            }
            Some(_) | None => Next::Failed(self.never_below()),
        }
    }

    fn never_below(&self) -> Failure {
        let lowest = self.points.all.iter().map(|p| p.distortion_pct).fold(f64::INFINITY, f64::min);
        Failure::NeverBelowLimit { limit_pct: self.sought.limit_pct, lowest_pct: lowest }
    }

    /// Closes in on the crossing below the first broken capture.
    fn settle(&mut self, sides: &[Side], first: usize) -> Next {
        let Some(good) = sides[..first].iter().rposition(|s| *s == Side::Good) else {
            return self.descend(first);
        };
        let (good_db, bad_db) = (self.points.all[good].x_db, self.points.all[first].x_db);
        if bad_db - good_db > 2.5 {
            // Far apart: undo what the fundamental lost and stay below the knee, not in the middle of nowhere.
            let lost = self.points.compression_db(first);
            let target = (bad_db - lost - 1.5).max(good_db + 0.5 * (bad_db - good_db).min(2.0));
            return self.set(target, "back below the knee");
        }
        if self.needs_more_above(sides, first) {
            return self.climb();
        }
        let Some((found, bound)) = self.crossing(sides, good, first) else {
            return self.bisect(good_db, bad_db, sides[first]);
        };
        let nearest = self.nearest_db(found.x_db);
        let enough = found.trusted && found.se_db <= SE_ENOUGH_DB;
        let narrow = bad_db - good_db <= self.sought.resolution_db && found.se_db <= 2.0 * SE_ENOUGH_DB;
        if self.captures >= CAPTURES_LATE && found.trusted {
            return self.finish(found.x_db, bound);
        }
        if nearest <= NEAR_DB && (enough || narrow || self.captures >= CAPTURES_SOFT) {
            if bound == Bound::Distortion && self.ambiguous(found.x_db) {
                return self.set(found.x_db + TELL_DB, "tell limiting from clipping");
            }
            return self.finish(found.x_db, bound);
        }
        self.set(self.probe_db(found, nearest), "close in on the limit")
    }

    /// Gain is lost faster than a hard clip loses it, and no capture is far enough above to say why.
    fn ambiguous(&self, x_db: f64) -> bool {
        let all = &self.points.all;
        let beyond = all.last().is_some_and(|p| p.x_db >= x_db + TELL_DB - 0.2);
        let room = self.highest_db().is_some_and(|(highest, _)| highest > x_db + TELL_DB);
        let lossy = (0..all.len()).any(|i| {
            let spare = self.points.compression_db(i) - 0.1 - 0.15 * all[i].distortion_pct;
            (all[i].x_db - x_db).abs() < TELL_DB && spare > 0.0
        });
        lossy && room && !beyond && self.trips_db.is_empty() && self.captures < self.sought.captures_max
    }

    /// The only broken captures lie within scatter of the limit: one clearly above makes the bracket sure.
    fn needs_more_above(&self, sides: &[Side], first: usize) -> bool {
        if !self.trips_db.is_empty() || self.captures >= CAPTURES_SOFT {
            return false;
        }
        let clear = (first..sides.len()).any(|i| {
            sides[i] == Side::Compressed
                || self.points.excess(i, self.sought.limit_pct) > 3.0 * self.sought.distortion_scatter
        });
        let (Some(top), Some((highest, _))) = (self.points.all.last(), self.highest_db()) else {
            return false;
        };
        !clear && top.x_db < highest - 0.3
    }

    fn nearest_db(&self, x_db: f64) -> f64 {
        self.points.all.iter().map(|p| (p.x_db - x_db).abs()).fold(f64::INFINITY, f64::min)
    }

    /// Where the next capture tells most: at the estimate, or a little beside it once one lies there.
    fn probe_db(&self, found: Crossing, nearest_db: f64) -> f64 {
        if nearest_db > 0.03 {
            return found.x_db;
        }
        let side = if self.captures.is_multiple_of(2) { 1.0 } else { -1.0 };
        found.x_db + side * (0.1 / found.slope.max(0.1)).clamp(0.02, 0.3)
    }

    /// The lower of the distortion and compression crossings.
    fn crossing(&self, sides: &[Side], good: usize, first: usize) -> Option<(Crossing, Bound)> {
        let (from, to) = self.sure_bracket(sides, good, first);
        let sought = &self.sought;
        let usable = |i: &usize| sides[*i] != Side::Bump;
        let distortion: Vec<(f64, f64)> = (0..sides.len())
            .filter(usable)
            .map(|i| (self.points.all[i].x_db, straightened(self.points.excess(i, sought.limit_pct))))
            .collect();
        let compression: Vec<(f64, f64)> = (0..sides.len())
            .filter(usable)
            .map(|i| (self.points.all[i].x_db, self.points.compression_db(i) - sought.compression_db_max))
            .collect();
        let by_distortion = fit::crossing(&distortion, sought.distortion_scatter, from, to);
        let by_compression = fit::crossing(&compression, 1.5 * sought.level_scatter_db, from, to);
        match (by_distortion, by_compression) {
            (Some(d), Some(c)) if c.x_db < d.x_db => Some((c, Bound::Compression)),
            (Some(d), _) if sides[first] == Side::Distorted => Some((d, Bound::Distortion)),
            (None, Some(c)) if sides[first] == Side::Compressed => Some((c, Bound::Compression)),
            (Some(d), None) => Some((d, Bound::Distortion)),
            (Some(d), Some(_)) => Some((d, Bound::Distortion)),
            _ => None,
        }
    }

    /// The bracket widened by points that lie within scatter of the limit, for they prove nothing alone.
    fn sure_bracket(&self, sides: &[Side], good: usize, first: usize) -> (f64, f64) {
        let sure = 3.0 * self.sought.distortion_scatter;
        let excess = |i: usize| self.points.excess(i, self.sought.limit_pct);
        let below = (0..=good).rev().find(|i| sides[*i] == Side::Good && excess(*i) < -sure).unwrap_or(good);
        let above = (first..sides.len())
            .find(|i| sides[*i] == Side::Compressed || excess(*i) > sure)
            .unwrap_or(first);
        (self.points.all[below].x_db, self.points.all[above].x_db)
    }

    fn bisect(&mut self, good_db: f64, bad_db: f64, side: Side) -> Next {
        if bad_db - good_db <= 0.5 * self.sought.resolution_db {
            let bound = if side == Side::Compressed { Bound::Compression } else { Bound::Distortion };
            return self.finish(0.5 * (good_db + bad_db), bound);
        }
        self.set(0.5 * (good_db + bad_db), "halve the bracket")
    }

    /// A knee but nothing good below it: look between it and the highest capture below.
    fn descend(&mut self, first: usize) -> Next {
        let bad_db = self.points.all[first].x_db;
        let below_db = if first > 0 { self.points.all[first - 1].x_db } else { bad_db - 20.0 };
        if bad_db - below_db < 0.4 {
            return Next::Failed(self.never_below());
        }
        let target = if bad_db - below_db > 6.0 { bad_db - 3.0 } else { 0.5 * (bad_db + below_db) };
        self.set(target, "look for a clean level below the knee")
    }

    /// The budget is spent: the best answer there is, or why there is none.
    fn conclude_now(&mut self) -> Next {
        let sides = self.points.sides(&self.sought);
        let first = sides.iter().position(|s| matches!(s, Side::Distorted | Side::Compressed));
        if let Some(good_db) = self.last_good_db()
            && !self.trips_db.is_empty()
            && first.is_none()
            && self.trip_db() - good_db <= 2.0 * STEP_DB
        {
            return self.finish(self.below_trip_db(good_db), Bound::Trip);
        }
        let bracket = first.and_then(|f| sides[..f].iter().rposition(|s| *s == Side::Good).map(|g| (g, f)));
        match bracket {
            Some((good, first)) => match self.crossing(&sides, good, first) {
                Some((found, bound)) => self.finish(found.x_db, bound),
                None => {
                    let bound =
                        if sides[first] == Side::Compressed { Bound::Compression } else { Bound::Distortion };
                    self.finish(0.5 * (self.points.all[good].x_db + self.points.all[first].x_db), bound)
                }
            },
            None => Next::Failed(Failure::CapturesExhausted { captures: self.captures }),
        }
    }

    /// Commands a level, held inside the source's range, the declared maximum and below any trip.
    fn set(&self, x_db: f64, why: &'static str) -> Next {
        let Some((highest_db, _)) = self.highest_db() else {
            return Next::Failed(Failure::NoLevel);
        };
        let x_db = x_db.min(highest_db).min(self.trip_db() - 1e-3);
        let level_vrms = 10f64.powf(x_db / 20.0).min(self.sought.level_vrms_max);
        if level_vrms.is_finite() && level_vrms > 0.0 {
            Next::Set { level_vrms, why }
        } else {
            Next::Failed(Failure::NoLevel)
        }
    }

    fn finish(&self, x_db: f64, bound: Bound) -> Next {
        let sides = self.points.sides(&self.sought);
        let se_db = self.level_error_db(&sides, bound);
        match conclude::ceiling(&self.sought, &self.points, &sides, x_db, se_db, bound, self.captures) {
            Some(ceiling) => Next::Done(Box::new(ceiling)),
            None => Next::Failed(Failure::NoLevel),
        }
    }

    /// Standard error of the ceiling's level, dB.
    fn level_error_db(&self, sides: &[Side], bound: Bound) -> f64 {
        let first = sides.iter().position(|s| matches!(s, Side::Distorted | Side::Compressed));
        let bracket = first.and_then(|f| sides[..f].iter().rposition(|s| *s == Side::Good).map(|g| (g, f)));
        match (bound, bracket) {
            (Bound::Range | Bound::DeclaredMax, _) => 0.0,
            (Bound::Trip, _) => self.creep_db / 12f64.sqrt(),
            (Bound::Distortion | Bound::Compression, Some((good, first))) => {
                let width = self.points.all[first].x_db - self.points.all[good].x_db;
                match self.crossing(sides, good, first) {
                    // The fit's own error is optimistic, as its neighbourhood was chosen by the same readings:
                    // never claim much less than one reading's scatter where distortion rises slowly.
                    Some((found, Bound::Distortion)) if found.trusted => {
                        found.se_db.max(0.6 * self.sought.distortion_scatter / found.slope)
                    }
                    Some((found, _)) if found.trusted => found.se_db,
                    Some((found, _)) => found.se_db.max(width / 12f64.sqrt()),
                    None => width / 12f64.sqrt(),
                }
            }
            (Bound::Distortion | Bound::Compression, None) => self.sought.resolution_db,
        }
    }
}

/// Logarithm of distortion over limit, bent so that a clipping onset becomes a straight line of drive: distortion of
/// a hard clip grows with the 3/2 power of the overdrive (from the closed form's expansion, checked against the table
/// of hard clipping). Zero, and slope 1, at the limit, so that scatter there means the same as before.
fn straightened(excess: f64) -> f64 {
    const POWER: f64 = 2.0 / 3.0;
    ((POWER * excess).exp() - 1.0) / POWER
}
