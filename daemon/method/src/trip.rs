//! What follows a trip of the protection: wait, creep up from below, hold what lies just below it.

use crate::climb::STEP_DB;
use crate::conclude::Bound;
use crate::failure::Failure;
use crate::next::{Next, Record};
use crate::observe::Observation;
use crate::points::Point;
use crate::search::CeilingSearch;
use crate::side;

/// Trips after which the search settles for what it has.
const TRIPS_MAX: usize = 4;
/// Step after a trip where the bench can't ramp, dB.
pub(crate) const CREEP_DB: f64 = 0.04;
/// Loss of gain that shows a bend, dB.
const BENT_DB: f64 = 0.15;
/// How far below a trip the creeping starts where something good is that near, dB.
const CREEP_FROM_DB: f64 = 1.3;
/// Longest way that a ramp creeps, dB: some two seconds, against the captures and recoveries that steps would take.
const CREEP_MOST_DB: f64 = 4.6;
/// How far below a trip that a ramp didn't provoke the level is held, dB.
const BELOW_TRIP_DB: f64 = 0.1;
/// Rate of a ramp that creeps up to a trip, dB per second.
const CREEP_DB_PER_S: f64 = 2.0;

impl CeilingSearch {
    pub(crate) fn on_trip(&mut self, seen: &Observation, commanded: f64) -> Next {
        let usable = |level: f64| level.is_finite() && level > 0.0;
        let loudest = seen.looks.iter().map(|l| l.level_vrms).filter(|l| usable(*l)).reduce(f64::max);
        let held = usable(seen.level_vrms).then_some(seen.level_vrms);
        let at = if self.ramping { held.or(loudest) } else { loudest.or(held) }.unwrap_or(commanded);
        let trip_db = 20.0 * at.log10();
        self.keep_held(seen, at);
        // Captures at or above a level that trips now say nothing about what the amplifier sustains.
        self.points.all.retain(|p| p.x_db < trip_db - 1e-6);
        self.trips_db.push(trip_db);
        // A quiet capture may break the limit by noise alone.
        let Some(good_db) = self.last_good_db().or(self.points.all.last().map(|p| p.x_db)) else {
            return Next::Failed(Failure::TrippedAtOnce { level_vrms: at });
        };
        let found = if self.sought.ramps { self.creeping } else { self.trips_db.len() >= 2 };
        if found && self.trips_db.len() < TRIPS_MAX && (self.bends_unheld() || self.last_good_db().is_none())
        {
            self.recovering = true;
            return Next::CoolDown {
                why: "protection tripped; wait for recovery, then hold the level below",
            };
        }
        if found || self.trips_db.len() >= TRIPS_MAX {
            if self.last_good_db().is_none() {
                return Next::Failed(Failure::TrippedAtOnce { level_vrms: at });
            }
            return self.finish(self.below_trip_db(good_db), Bound::Trip);
        }
        let left = self.sought.captures_max.saturating_sub(self.captures + 2).max(1) as f64;
        self.creep_db = ((trip_db - good_db) / left).max(CREEP_DB);
        self.recovering = true;
        Next::CoolDown { why: "protection tripped; wait for recovery, then creep up from below" }
    }

    /// Where only the burst of a probe tripped, the level below it was held and captured whole.
    fn keep_held(&mut self, seen: &Observation, tripped_vrms: f64) {
        if self.ramping || seen.looks.is_empty() || seen.level_vrms >= tripped_vrms {
            return;
        }
        if let Some(point) = Point::new(seen, &self.sought, self.captures) {
            // As many channels as before, or the next capture tells.
            self.points.add(Point { brief: self.record == Record::Brief, ..point });
        }
    }

    pub(crate) fn trip_db(&self) -> f64 {
        self.trips_db.iter().copied().fold(f64::INFINITY, f64::min)
    }

    /// The level just below the trip: the last look of a ramp below it, or half a step above the last good capture.
    pub(crate) fn below_trip_db(&self, good_db: f64) -> f64 {
        let trip_db = self.trip_db();
        let looked = self.looks.iter().map(|l| 20.0 * l.level_vrms.log10()).filter(|x| *x < trip_db - 1e-6);
        let below = looked.fold(good_db, f64::max);
        let step = if below > good_db { trip_db - below } else { self.creep_db };
        below + 0.5 * step.min((trip_db - below).max(0.0))
    }

    /// After a trip: a slow ramp up to it where the bench can, else small steps.
    pub(crate) fn creep(&mut self, top_db: f64) -> Next {
        let trip_db = self.trip_db();
        if !self.sought.ramps {
            if top_db + self.creep_db >= trip_db - 1e-6 {
                return self.bounded(self.below_trip_db(top_db), Bound::Trip);
            }
            return self.set(top_db + self.creep_db, "creep up to the trip");
        }
        if self.creeps > 0 {
            let broken_off = self.looks.last().map(|look| 20.0 * look.level_vrms.log10());
            if let Some(end_db) = broken_off.filter(|x| (top_db + 0.05..trip_db - CREEP_DB).contains(x)) {
                return self.set(end_db, "where the creeping ramp was broken off");
            }
            // The ramp didn't trip: what trips takes longer than a ramp.
            if trip_db - top_db > 2.0 * BELOW_TRIP_DB {
                return self.set(trip_db - BELOW_TRIP_DB, "hold the level below the trip");
            }
            return self.bounded(self.below_trip_db(top_db), Bound::Trip);
        }
        let clear_db = self.clear_db(top_db).min(trip_db);
        let from_db = clear_db.min(trip_db - CREEP_FROM_DB).max(top_db);
        if trip_db - from_db > CREEP_MOST_DB {
            return self
                .set((top_db + STEP_DB).max(clear_db.min(trip_db - STEP_DB)), "safe step up below the trip");
        }
        let Some((highest_db, _)) = self.highest_db() else { return Next::Failed(Failure::NoLevel) };
        // A little above the level that tripped: a block's level is known to its length only.
        let to_vrms = 10f64.powf((trip_db + 0.3).min(highest_db) / 20.0);
        let from_vrms = 10f64.powf(from_db / 20.0);
        Next::Ramp { from_vrms, to_vrms, db_per_s: CREEP_DB_PER_S, why: "creep up to the trip" }
    }

    /// Below the trip the output no longer follows the drive, and no capture lies near: its power isn't known yet.
    pub(crate) fn bends_unheld(&self) -> bool {
        let trip_db = self.trip_db();
        let held = self.points.all.last().is_some_and(|p| trip_db - p.x_db < 2.0 * BELOW_TRIP_DB);
        let below = self.looks.iter().rev().find(|look| 20.0 * look.level_vrms.log10() < trip_db);
        let bends = below.and_then(|look| self.as_point(look)).is_some_and(|point| {
            let slopes = point.seen.channels.iter().filter_map(|c| c.curve.as_ref()?.end_slope());
            let slope = slopes.fold(1.0, f64::min);
            slope < side::knee_slope(&self.sought) || self.gain_lost_db(&point) > BENT_DB
        });
        bends && !held
    }
}
