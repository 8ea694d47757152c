//! The climb: how far the next level may go while nothing has broken the limit.

use crate::conclude::Bound;
use crate::estimate;
use crate::failure::Failure;
use crate::next::{Next, Record};
use crate::points::{Point, QUIET};
use crate::search::CeilingSearch;
use crate::sought::Reach;

/// Largest step when loud, dB: a hard clip goes from nothing to 10 % within 2.18 dB (closed form),
/// and supply and heat take their part.
pub(crate) const STEP_DB: f64 = 1.72;
/// First loud level, dB re rated power: without and with a look ahead.
const BASE_DB: f64 = -7.0;
const BASE_LOOKING_DB: f64 = -10.0;
/// Lead of a probe's burst over the level that is held, dB, and its length.
const BURST_DB: f64 = 7.0;
const BURST_CYCLES: u32 = 8;
/// Rate of a ramp that looks ahead, dB per second.
const RAMP_DB_PER_S: f64 = 20.0;
/// Step where the limit was looked at and the level held there is still clean, dB, and its growth.
const SEEN_STEP_DB: f64 = 0.5;
const SEEN_GROWTH: f64 = 1.5;
/// Loss of gain missing to its maximum that is as good as none: a limiter's output hardly changes, dB.
const NEARLY_DB: f64 = 0.12;
/// Share of the limit that noise alone may be for a short record to tell distortion from it.
const NOISY_SHARE: f64 = 0.05;
/// Loss of gain on the way up beside which a short record tells too little, dB.
const MOVES_DB: f64 = 0.15;
/// Gain that a limiter takes back, dB per dB of drive.
pub(crate) const LIMITER_RATE: f64 = 0.92;
/// How much more than in proportion to power a supply may fall.
const SAG_MARGIN: f64 = 1.2;
/// How near the highest level that may be commanded a capture needs no other, dB: each one moves it by a little.
pub(crate) const AT_END_DB: f64 = 0.015;
/// Largest step while the gain can't be trusted, dB.
const UNSURE_JUMP_DB: f64 = 8.0;

impl CeilingSearch {
    /// The next step up, or the end where nothing higher may be commanded.
    pub(crate) fn climb(&mut self) -> Next {
        let (Some(top), Some((highest_db, bound))) = (self.points.all.last(), self.highest_db()) else {
            return self.on_refusal(self.sought.level_vrms_start);
        };
        let top_db = top.x_db;
        let Some(predicted_w) = self.points.predicted_w(top_db) else {
            return Next::Failed(Failure::NoLevel);
        };
        let below_rated_db = 10.0 * (self.sought.rated_w / predicted_w).log10();
        if self.points.all.len() == 1 && below_rated_db < -BASE_DB + 2.0 && self.trips_db.is_empty() {
            return self.set(top_db - 20.0, "small-signal gain, below the loud start level");
        }
        if top_db >= highest_db - AT_END_DB {
            return self.at_the_end(top_db, bound);
        }
        let loud = predicted_w > QUIET * self.sought.rated_w;
        if let Some(found) = estimate::distortion(&self.points, &self.sought, self.since, top_db - STEP_DB)
            && found.x_db >= top_db - 0.02
            && found.x_db < self.trip_db() - 0.02
            && loud
        {
            // The top capture keeps the limit, and its curve shows how little is missing.
            return self.settle(found, Bound::Distortion, top_db);
        }
        let lost_db = self.points.compression_db(self.points.all.len() - 1);
        let missing_db = self.sought.compression_db_max - lost_db;
        if missing_db < NEARLY_DB {
            return self.finish(top_db + missing_db / LIMITER_RATE, Bound::Compression);
        }
        if let Some(next) = self.near_threshold(top, highest_db) {
            return next;
        }
        if let Some(candidate_db) = self.looked_ahead(top_db).filter(|x| *x < self.trip_db() - 0.02) {
            let sagged_db = candidate_db - self.supply_loss_db(top, candidate_db);
            let candidate_db = sagged_db.max(top_db + SEEN_STEP_DB).min(candidate_db);
            return self.set(candidate_db.min(highest_db), "where the look ahead shows the limit");
        }
        if !self.trips_db.is_empty() {
            return self.creep(top_db);
        }
        let base_db = if self.sought.reach == Reach::Steps { BASE_DB } else { BASE_LOOKING_DB };
        let to_base_db = base_db + below_rated_db;
        if self.sought.reach == Reach::Streamed
            && self.looks.is_empty()
            && to_base_db <= self.trusted_jump_db()
        {
            let from_db = top_db + to_base_db.max(0.0);
            return self.ramp(from_db, highest_db, RAMP_DB_PER_S, "rising level, broken off at the limit");
        }
        if to_base_db > STEP_DB {
            let to_db = (top_db + to_base_db.min(self.trusted_jump_db())).min(highest_db);
            let arrives = to_base_db <= self.trusted_jump_db();
            return match self.sought.reach {
                Reach::Probe if arrives => self.probe(to_db, highest_db),
                _ => self.set_for(
                    to_db,
                    self.on_the_way(to_db, highest_db),
                    "base level, well below the rating",
                ),
            };
        }
        let step_db = self.step_db(top);
        let target_db = if top_db + step_db > highest_db - 0.2 { highest_db } else { top_db + step_db };
        let clear_db = self.clear_db(top_db);
        // A burst that showed nothing clear: climb by a step.
        let clear_db = if clear_db > top_db + 0.01 { clear_db } else { top_db + STEP_DB };
        match self.sought.reach {
            Reach::Probe if step_db >= STEP_DB && !self.limit_was_seen() => {
                self.probe(clear_db.min(highest_db), highest_db)
            }
            _ => {
                let looked = self.sought.reach != Reach::Steps && !self.limit_was_seen();
                let target_db =
                    if looked { target_db.max(clear_db.min(top_db + BURST_DB)) } else { target_db };
                let target_db = target_db.min(highest_db);
                self.set_for(target_db, self.on_the_way(target_db, highest_db), "safe step up")
            }
        }
    }

    /// How long a record a level on the way up needs: a short one, unless it may be the last, or something moves that a
    /// short one tells too little of (heat, a limiter, what a look saw).
    fn on_the_way(&self, to_db: f64, highest_db: f64) -> Record {
        let lost_db = self.points.all.len().checked_sub(1).map_or(0.0, |top| self.points.compression_db(top));
        let top_db = self.points.all.last().map_or(to_db, |p| p.x_db);
        let moves = self.drift.is_seen() || lost_db > MOVES_DB || self.limit_was_seen();
        let noise_pct = |p: &Point| p.highest(|c| Some(100.0 * c.noise_vrms? / c.fundamental_vrms?));
        let noise_pct = self.points.all.last().and_then(noise_pct).unwrap_or(0.0);
        let there_pct = noise_pct * 10f64.powf((top_db - to_db) / 20.0);
        let noisy = there_pct > NOISY_SHARE * self.sought.limit_pct;
        if moves || noisy || to_db > highest_db - 0.2 { Record::Whole } else { Record::Brief }
    }

    fn probe(&self, to_db: f64, highest_db: f64) -> Next {
        let burst_db = (to_db + BURST_DB).min(highest_db);
        self.probe_between(to_db, burst_db, self.on_the_way(to_db, highest_db))
    }

    pub(crate) fn probe_between(&self, to_db: f64, burst_db: f64, record: Record) -> Next {
        match (self.permitted_vrms(to_db), self.permitted_vrms(burst_db)) {
            (Some(level_vrms), Some(burst_vrms)) if burst_vrms > level_vrms => Next::Probe {
                level_vrms,
                burst_vrms,
                cycles: BURST_CYCLES,
                hold_s: self.hold_for(level_vrms),
                record,
                why: "level held, with a short burst above it",
            },
            (Some(_), _) => self.set(to_db, "highest level"),
            (None, _) => Next::Failed(Failure::NoLevel),
        }
    }

    fn ramp(&self, from_db: f64, to_db: f64, db_per_s: f64, why: &'static str) -> Next {
        // Its end is bounded by whoever watches it, since gain is read all the way up.
        match (self.permitted_vrms(from_db), 10f64.powf(to_db / 20.0).min(self.sought.level_vrms_max)) {
            (Some(from_vrms), to_vrms) if to_vrms >= from_vrms => {
                Next::Ramp { from_vrms, to_vrms, db_per_s, why }
            }
            _ => Next::Failed(Failure::NoLevel),
        }
    }

    /// What the supply will have lost at a level, from what it lost at the top capture, dB. A short look doesn't make
    /// it sag.
    fn supply_loss_db(&self, top: &Point, x_db: f64) -> f64 {
        let volts = |p: &Point| p.seen.supply_v.filter(|v| v.is_finite() && *v > 0.0);
        let (Some(idle_v), Some(loaded_v)) = (self.points.all.first().and_then(volts), volts(top)) else {
            return 0.0;
        };
        let power_ratio = 10f64.powf((x_db - top.x_db) / 10.0);
        let lost = SAG_MARGIN * (1.0 - loaded_v / idle_v).max(0.0) * power_ratio;
        (-20.0 * (1.0 - lost.min(0.3)).log10()).clamp(0.0, (x_db - top.x_db - 0.1).max(0.0))
    }

    /// How far the gain read at the top capture reaches. Distortion that noise doesn't explain may be a dead
    /// zone, in which the gain reads low.
    fn trusted_jump_db(&self) -> f64 {
        let Some(top) = self.points.all.last() else { return STEP_DB };
        let noise_pct = top.highest(|c| Some(100.0 * c.noise_vrms? / c.fundamental_vrms?)).unwrap_or(0.0);
        let clean = top.distortion_pct <= self.sought.limit_pct || noise_pct > 0.7 * top.distortion_pct;
        if clean {
            return f64::INFINITY;
        }
        // As far as even the highest gain stays well below the rating.
        let harmless = 0.1 * self.sought.rated_w / self.sought.worst_case_w(top.level_vrms());
        UNSURE_JUMP_DB.max(10.0 * harmless.log10())
    }

    /// How far to step: never beyond `STEP_DB`; to the limit where the top capture's curve already shows it.
    fn step_db(&self, top: &Point) -> f64 {
        let falls = self.points.falls_into(self.points.all.len() - 1, &self.sought);
        if let Some(found) = top.own.filter(|_| !falls) {
            return (found.x_db - top.x_db).clamp(0.1, STEP_DB);
        }
        let lost_db = self.points.compression_db(self.points.all.len() - 1);
        if lost_db > 0.5 {
            // Gain is being taken back, at nearly 1 dB per dB as a rule.
            return ((self.sought.compression_db_max - lost_db) / LIMITER_RATE + 0.05).clamp(0.1, STEP_DB);
        }
        let all = &self.points.all;
        let n = all.len();
        if self.limit_was_seen() {
            // What a look saw doesn't last: steps grow as long as nothing is met.
            let last_db = n.checked_sub(2).map_or(0.0, |i| top.x_db - all[i].x_db);
            let grown_db = if last_db <= STEP_DB { SEEN_GROWTH * last_db } else { 0.0 };
            return grown_db.clamp(SEEN_STEP_DB, STEP_DB);
        }
        let curved = top.seen.channels.iter().all(|c| c.curve.is_some());
        if n < 3 {
            return STEP_DB;
        }
        let (i, j) = (n - 2, n - 1);
        let run = all[j].x_db - all[i].x_db;
        let mut step = STEP_DB;
        let excess = self.points.all[j].excess;
        let slope = (excess - self.points.all[i].excess) / run;
        if !curved && run > 0.02 && excess > -2.3 && slope > 0.1 {
            step = step.min((1.1 * -excess / slope).max(0.0) + 0.25).max(0.4);
        }
        if excess > 0.0 && !curved {
            step = step.min(1.0);
        }
        step
    }

    /// The highest level that may be commanded keeps the limit. A declared maximum lies a little above it: the gain's
    /// uncertainty was left between them. What the top capture shows is carried there, to the limit at most.
    pub(crate) fn at_the_end(&mut self, top_db: f64, bound: Bound) -> Next {
        let declared =
            self.points.level_for_db(self.sought.out_w_max).filter(|_| bound == Bound::DeclaredMax);
        let Some(declared) = declared else { return self.bounded(top_db, bound) };
        let range_db = 20.0 * self.sought.level_vrms_max.log10();
        let (end_db, bound) = match declared.likely_db {
            likely_db if likely_db > range_db => (range_db, Bound::Range),
            likely_db => (likely_db, bound),
        };
        let found = estimate::distortion(&self.points, &self.sought, self.since, top_db - STEP_DB);
        let (end_db, bound) = match found.filter(|e| e.x_db >= top_db - 0.02 && e.x_db < end_db) {
            Some(found) => (found.x_db, Bound::Distortion),
            None => (end_db.max(top_db), bound),
        };
        match self.last_good_db() {
            Some(good_db) if good_db >= top_db - STEP_DB => self.finish(end_db, bound),
            Some(_) | None => Next::Failed(self.never_below()),
        }
    }

    pub(crate) fn bounded(&mut self, x_db: f64, bound: Bound) -> Next {
        match self.last_good_db() {
            Some(good_db) if good_db >= x_db - STEP_DB => {
                self.finish(x_db.min(good_db + self.creep_db), bound)
            }
            Some(_) | None => Next::Failed(self.never_below()),
        }
    }
}
