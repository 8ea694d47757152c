//! A limiter that distorts: its own rise of distortion above its threshold, which no transfer curve of one level tells.
//!
//! Gain is taken back from the threshold on, so that one look at a level well above tells where that lies, and what
//! distorts is taken to grow with the gain taken back until more is known. The output hardly follows the drive there,
//! so that a small error of level costs nearly no power.

use crate::climb::LIMITER_RATE;
use crate::conclude::Bound;
use crate::estimate::{self, Estimate};
use crate::next::{Next, Record};
use crate::points::Point;
use crate::search::CeilingSearch;
use crate::sought::Reach;

/// Loss of gain from which a look shows a limiter, dB, and the slope that the end of its curve keeps: a clip that loses
/// so much keeps none.
const LOST_DB: f64 = 0.4;
const STRAIGHT: f64 = 0.6;
/// Where above the threshold the record and its burst are tried, dB.
const ABOVE_DB: f64 = 0.28;
const BURST_ABOVE_DB: f64 = 0.95;
/// How far a burst has to come down to tell anything new, dB.
const LOWER_DB: f64 = 0.3;
/// How near the limit a level is that a capture below it tells of, dB.
const NEAR_DB: f64 = 0.1;
/// ln(distortion/limit) above which a reading is part of the limiter's rise.
const RISEN: f64 = -1.6;
/// Share of the way up from the threshold to a broken capture that is tried next.
const SHARE: f64 = 0.3;
/// Error of a level carried along the rise that looks show, dB per dB.
const CARRIED: f64 = 0.3;

impl CeilingSearch {
    /// Gain lost at `point` to the highest gain captured puts the threshold there, dB.
    fn threshold_db(&self, point: &Point) -> f64 {
        point.x_db - self.gain_lost_db(point) / LIMITER_RATE
    }

    /// The lowest look that breaks the limit while gain is taken back from a straight curve.
    fn limiter_seen(&self) -> Option<Point> {
        let seen = self.looks.iter().filter_map(|look| self.as_point(look)).filter(|p| {
            let slopes = p.seen.channels.iter().map(|c| c.curve.as_ref().and_then(|c| c.end_slope()));
            let straight = slopes.map(|s| s.unwrap_or(0.0)).fold(1.0, f64::min) > STRAIGHT;
            p.excess > 0.0 && straight && self.gain_lost_db(p) > LOST_DB
        });
        seen.min_by(|a, b| a.x_db.total_cmp(&b.x_db))
    }

    /// Where to capture next once a burst has shown a limiter that distorts: just above its threshold, with a burst a
    /// little further up, then where what was read there grows to the limit.
    pub(crate) fn near_threshold(&self, top: &Point, highest_db: f64) -> Option<Next> {
        let seen = self.limiter_seen().filter(|_| self.sought.reach == Reach::Probe)?;
        let threshold_db = self.threshold_db(&seen);
        let trip_db = self.trip_db();
        if top.x_db > threshold_db + 0.05 && top.excess > RISEN && top.excess < 0.0 {
            let grown_db = threshold_db + (top.x_db - threshold_db) * (-top.excess).exp();
            if grown_db - top.x_db < NEAR_DB {
                return Some(self.finish(grown_db, Bound::Distortion));
            }
            let target_db = grown_db.min(0.5 * (top.x_db + seen.x_db)).min(trip_db - 0.02);
            return (target_db > top.x_db + 0.02)
                .then(|| self.set(target_db, "where a limiter's distortion grows to the limit"));
        }
        let (level_db, burst_db) = (threshold_db + ABOVE_DB, (threshold_db + BURST_ABOVE_DB).min(highest_db));
        if level_db < top.x_db + 0.05 || level_db > seen.x_db - LOWER_DB || burst_db >= trip_db {
            return None;
        }
        Some(if burst_db < seen.x_db - LOWER_DB {
            self.probe_between(level_db, burst_db, Record::Whole)
        } else {
            self.set(level_db, "just above a limiter's threshold")
        })
    }

    /// Capture `i` is a limiter's: gain was taken back from its whole curve.
    pub(crate) fn is_limited(&self, i: usize) -> bool {
        let p = &self.points.all[i];
        p.own.is_some() && !estimate::is_fixed(&self.points, i, &self.sought)
            || p.own.is_none() && self.points.taken_db(i).is_some_and(|taken| taken > LOST_DB)
    }

    /// The crossing below a limiter's broken capture, where nothing below it tells of the rise: along the rise that looks
    /// show, or a share of the way up from the threshold.
    pub(crate) fn below_limited(&self, good: usize, first: usize) -> Option<Estimate> {
        let (at, below) = (&self.points.all[first], &self.points.all[good]);
        if !self.is_limited(first) || at.excess <= 0.0 || below.excess > RISEN {
            return None;
        }
        if let Some((good_db, bad_db, _)) = self.seen_rising()
            && let Some(slope) = self.slope_of_rise(good_db, bad_db)
        {
            let away_db = (at.excess / slope).min(0.5 * (at.x_db - below.x_db));
            let se_db = (at.excess_se / slope).hypot(CARRIED * away_db);
            return Some(Estimate { x_db: at.x_db - away_db, se_db, slope });
        }
        let threshold_db = (at.x_db - self.points.compression_db(first) / LIMITER_RATE).max(below.x_db);
        let way_db = at.x_db - threshold_db;
        let x_db = threshold_db + SHARE * way_db;
        Some(Estimate { x_db, se_db: way_db / 12f64.sqrt(), slope: 1.0 / way_db.max(0.05) })
    }

    /// Rise of ln(distortion) per dB between two looks, where both are part of it.
    fn slope_of_rise(&self, good_db: f64, bad_db: f64) -> Option<f64> {
        let at = |x_db: f64| {
            let look = self.looks.iter().find(|l| (20.0 * l.level_vrms.log10() - x_db).abs() < 1e-6)?;
            look.channels.iter().filter_map(|c| c.thd_pct).reduce(f64::max)
        };
        let (good, bad) = at(good_db).zip(at(bad_db))?;
        // Bent as a rise from nothing is: proportional to what lies above the threshold, steepest below.
        let slope = 2.0 * (bad - good) / (bad + good) / (bad_db - good_db);
        (slope.is_finite() && slope > 0.1).then_some(slope)
    }
}
