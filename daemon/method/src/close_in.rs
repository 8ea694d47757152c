//! Closing in on the crossing between a capture that keeps the limit and one that breaks it.

use crate::climb::{AT_END_DB, STEP_DB};
use crate::conclude::Bound;
use crate::estimate::{self, Estimate};
use crate::fit;
use crate::knee::{share_at_zero, straightened};
use crate::next::Next;
use crate::search::CeilingSearch;
use crate::side::Side;

/// How far below the highest clean capture others still tell of the crossing, dB.
const REACH_DB: f64 = 2.5;
/// How far below a broken capture the next lower one counts, dB.
const APART_DB: f64 = 0.4;
/// ln(distortion/limit) below which a reading is a floor, and no part of the rise to the limit.
pub(crate) const FLOOR: f64 = -2.3;
/// How far below a broken capture others belong to that rise, dB.
const RISE_DB: f64 = 1.0;
/// How near a level a capture has told all there is, dB.
const TOLD_DB: f64 = 0.1;
/// How near the answer a capture must lie, dB.
const NEAR_DB: f64 = 0.06;
/// The same without curves that would carry a capture's output there, dB.
const NEAR_READ_DB: f64 = 0.008;
/// How near the estimate a capture lies that needs none at the estimate itself, dB.
const BESIDE_DB: f64 = 0.03;
/// Standard error of the level that needs no further capture, dB.
const SE_ENOUGH_DB: f64 = 0.025;
/// The same where the output hardly follows the drive, dB.
const SE_LIMITED_DB: f64 = 0.1;
/// How far from the answer the last capture of a limiter may lie, dB: its output hardly changes.
const NEAR_LIMITED_DB: f64 = 0.15;
/// Captures after which a small gain in certainty is no longer worth the heat.
const CAPTURES_SOFT: usize = 11;
/// Captures after which any answer will do.
const CAPTURES_LATE: usize = 24;

impl CeilingSearch {
    /// Closes in on the crossing below the first broken capture.
    pub(crate) fn close_in(&mut self, sides: &[Side], first: usize) -> Next {
        let Some(good) = sides[..first].iter().rposition(|s| *s == Side::Good) else {
            return self.descend(first);
        };
        let (good_db, bad_db) = (self.points.all[good].x_db, self.points.all[first].x_db);
        let Some((found, bound)) = self.crossing(sides, good, first) else {
            return self.halve(good_db, bad_db, sides[first]);
        };
        if found.x_db > bad_db && self.points.all[first].excess > self.sure() {
            // No estimate outranks a capture that broke the limit clearly: false position between the two.
            let between = self.false_position(good, first);
            return self.settle(between, Bound::Distortion, good_db);
        }
        if bound == Bound::Distortion && self.disproved(good, found) {
            let between = self.false_position(good, first);
            return self.settle(between, Bound::Distortion, good_db);
        }
        self.settle(found, bound, good_db)
    }

    /// Excess of ln(distortion) that scatter doesn't explain.
    fn sure(&self) -> f64 {
        3.0 * self.sought.distortion_scatter
    }

    /// Where a straight line of the straightened readings crosses between a clean and a broken capture.
    fn false_position(&self, good: usize, bad: usize) -> Estimate {
        let value = |i: usize| straightened(self.points.all[i].excess);
        let (x_good, x_bad) = (self.points.all[good].x_db, self.points.all[bad].x_db);
        let (y_good, y_bad) = (value(good).min(-1e-3), value(bad).max(1e-3));
        let width = x_bad - x_good;
        let share = share_at_zero(y_good, y_bad).clamp(0.1, 0.9);
        let slope = (y_bad - y_good) / width.max(1e-6);
        Estimate { x_db: x_good + share * width, se_db: 0.5 * width / 12f64.sqrt(), slope }
    }

    /// The estimate lies at a capture that keeps the limit and shows no knee: the supply gave way further up.
    fn disproved(&self, good: usize, found: Estimate) -> bool {
        let at = &self.points.all[good];
        let straight = at.own.is_none() && at.seen.channels.iter().all(|c| c.curve.is_some());
        straight && found.x_db < at.x_db + 0.05
    }

    /// Ends where a capture lies at the estimate and that is sure enough; captures there otherwise.
    pub(crate) fn settle(&mut self, found: Estimate, bound: Bound, good_db: f64) -> Next {
        let nearest_db = self.nearest_db(found.x_db);
        let limited = bound == Bound::Compression || self.limited_near(found.x_db);
        let near_db = match bound {
            _ if limited => NEAR_LIMITED_DB,
            _ if self.points.all.iter().any(|p| p.seen.channels.iter().any(|c| c.curve.is_some())) => NEAR_DB,
            _ => NEAR_READ_DB,
        };
        let sure = found.se_db <= SE_ENOUGH_DB
            || self.captures >= CAPTURES_SOFT
            || bound == Bound::Compression
            || limited && found.se_db <= SE_LIMITED_DB;
        if nearest_db <= near_db && sure || self.captures >= CAPTURES_LATE {
            return self.finish(found.x_db, bound);
        }
        if let Some((highest_db, end)) = self.highest_db()
            && found.x_db > highest_db
            && self.nearest_db(highest_db) <= AT_END_DB
        {
            // It can't be captured, and what can be was.
            return self.at_the_end(highest_db, end);
        }
        let target_db = if nearest_db > near_db.min(BESIDE_DB) { found.x_db } else { self.beside(found) };
        // Never further than a safe step above anything held, whatever the estimate says.
        self.set(target_db.min(good_db.max(self.highest_held_db()) + STEP_DB), "close in on the limit")
    }

    /// The capture nearest to a level is a limiter's, whose output hardly follows the drive.
    fn limited_near(&self, x_db: f64) -> bool {
        let all = &self.points.all;
        let nearest =
            (0..all.len()).min_by(|a, b| (all[*a].x_db - x_db).abs().total_cmp(&(all[*b].x_db - x_db).abs()));
        nearest.is_some_and(|i| self.is_limited(i))
    }

    fn highest_held_db(&self) -> f64 {
        self.points.all.last().map_or(f64::NEG_INFINITY, |p| p.x_db)
    }

    fn nearest_db(&self, x_db: f64) -> f64 {
        // A short record made on the way up is none to end on.
        let counts = self.points.all.iter().filter(|p| p.order >= self.since && !p.brief);
        counts.map(|p| (p.x_db - x_db).abs()).fold(f64::INFINITY, f64::min)
    }

    /// Where the next capture tells most once one lies at the estimate: a little beside it.
    fn beside(&self, found: Estimate) -> f64 {
        let side = if self.captures.is_multiple_of(2) { 1.0 } else { -1.0 };
        found.x_db + side * (0.1 / found.slope.max(0.1)).clamp(0.02, 0.1)
    }

    /// No estimate outranks a capture that clearly keeps the limit: what curves tell from further up, the supply or heat
    /// there bent.
    fn outranked(&self, good: usize, found: Estimate) -> bool {
        let at = &self.points.all[good];
        at.order >= self.since && at.excess < -self.sure() && found.x_db < at.x_db
    }

    /// The lower of the distortion and compression crossings, by the curves where there are any.
    pub(crate) fn crossing(&self, sides: &[Side], good: usize, first: usize) -> Option<(Estimate, Bound)> {
        let below_limited = self.below_limited(good, first);
        let by_curve = estimate::distortion(
            &self.points,
            &self.sought,
            self.since,
            self.points.all[good].x_db - REACH_DB,
        );
        let width_db = self.points.all[first].x_db - self.points.all[good].x_db;
        let by_distortion = match by_curve {
            _ if below_limited.is_some() => below_limited,
            Some(found) if found.se_db <= width_db => Some(found),
            // Curves that captures refute tell less than the readings.
            unsure => self.by_readings(sides, good, first).or_else(|| {
                // Not where they contradict a capture that keeps the limit.
                let below = unsure.is_some_and(|e| e.x_db < self.points.all[good].x_db - BESIDE_DB);
                if below { Some(self.false_position(good, first)) } else { unsure }
            }),
        };
        let by_distortion = by_distortion.map(|found| {
            if below_limited.is_none() && self.outranked(good, found) {
                self.false_position(good, first)
            } else {
                found
            }
        });
        let by_compression = estimate::compression(&self.points, &self.sought);
        match (by_distortion, by_compression) {
            (Some(d), Some(c)) if c.x_db < d.x_db => Some((c, Bound::Compression)),
            (Some(d), _) => Some((d, Bound::Distortion)),
            (None, Some(c)) => Some((c, Bound::Compression)),
            (None, None) => None,
        }
    }

    /// The crossing by the scalar readings alone, straightened so that a clipping onset is a line.
    fn by_readings(&self, sides: &[Side], good: usize, first: usize) -> Option<Estimate> {
        if sides[first] == Side::Compressed && self.points.all[first].excess < 0.0 {
            return None;
        }
        let (from, to) = self.sure_bracket(sides, good, first);
        let near_db = self.points.all[first].x_db - RISE_DB;
        let told = |i: &usize| self.points.all[*i].excess > FLOOR && self.points.all[*i].x_db > near_db;
        let telling = (0..sides.len()).filter(|i| sides[*i] != Side::Bump).filter(told).count();
        let points: Vec<(f64, f64)> = (0..sides.len())
            .filter(|i| sides[*i] != Side::Bump && (telling < 2 || told(i)))
            .map(|i| (self.points.all[i].x_db, straightened(self.points.all[i].excess)))
            .collect();
        let inside = self.points.all.iter().filter(|p| (from..=to).contains(&p.x_db));
        let scatter = inside.map(|p| p.excess_se).fold(0.0, f64::max);
        let found = fit::crossing(&points, scatter, from, to)?;
        let wide = (to - from) / 12f64.sqrt();
        // The fit's own error is optimistic, as its neighbourhood was chosen by the same readings.
        let least = 0.6 * scatter / found.slope;
        let se_db = if found.trusted { found.se_db.max(least) } else { found.se_db.max(wide) };
        Some(Estimate { x_db: found.x_db, se_db, slope: found.slope })
    }

    /// The bracket widened by points that lie within scatter of the limit, for they prove nothing alone.
    fn sure_bracket(&self, sides: &[Side], good: usize, first: usize) -> (f64, f64) {
        let sure = self.sure();
        let excess = |i: usize| self.points.all[i].excess;
        let below = (0..=good).rev().find(|i| sides[*i] == Side::Good && excess(*i) < -sure).unwrap_or(good);
        let above = (first..sides.len())
            .find(|i| sides[*i] == Side::Compressed || excess(*i) > sure)
            .unwrap_or(first);
        (self.points.all[below].x_db, self.points.all[above].x_db)
    }

    fn halve(&mut self, good_db: f64, bad_db: f64, side: Side) -> Next {
        if bad_db - good_db <= 0.5 * self.sought.resolution_db {
            let bound = if side == Side::Compressed { Bound::Compression } else { Bound::Distortion };
            return self.finish(0.5 * (good_db + bad_db), bound);
        }
        self.set(0.5 * (good_db + bad_db), "halve the bracket")
    }

    /// A knee but nothing good below it: look between it and the highest capture below.
    fn descend(&mut self, first: usize) -> Next {
        let bad_db = self.points.all[first].x_db;
        // Neighbours that close tell nothing of their own.
        let below = self.points.all[..first].iter().rev().map(|p| p.x_db).find(|x| *x <= bad_db - APART_DB);
        let below_db = below.unwrap_or(bad_db - 20.0);
        let own = self.points.all[first].own.filter(|found| found.x_db > below_db);
        if let Some(found) =
            own.filter(|e| bad_db - e.x_db <= 0.1 || self.points.nearest_db(e.x_db) > TOLD_DB)
        {
            if bad_db - found.x_db > 0.1 {
                return self.set(found.x_db, "back to where the curve keeps the limit");
            }
            return self.settle(found, Bound::Distortion, bad_db);
        }
        let target = if bad_db - below_db > 6.0 { bad_db - 3.0 } else { 0.5 * (bad_db + below_db) };
        if bad_db - below_db < APART_DB + 0.1 || self.points.nearest_db(target) < TOLD_DB {
            return Next::Failed(self.never_below());
        }
        self.set(target, "look for a clean level below the knee")
    }
}
