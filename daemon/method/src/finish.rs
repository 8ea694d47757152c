//! How a search ends: with the ceiling and its error, or with the best that the captures allow.

use crate::conclude::{self, Bound};
use crate::estimate;
use crate::failure::Failure;
use crate::next::Next;
use crate::points::Point;
use crate::search::CeilingSearch;
use crate::side::Side;

impl CeilingSearch {
    pub(crate) fn finish(&self, x_db: f64, bound: Bound) -> Next {
        let sides = self.points.sides(&self.sought);
        let se_db = self.level_error_db(&sides, bound);
        let (captures, since, unsettled_db) = (self.captures, self.since, self.drift.unsettled_db());
        let found = conclude::Found { x_db, se_db, bound, captures, since, unsettled_db };
        let looks: Vec<Point> = self.looks.iter().filter_map(|look| self.as_point(look)).collect();
        match conclude::ceiling(&self.sought, &self.points, &looks, &self.drifted, &sides, &found) {
            Some(ceiling) => Next::Done(Box::new(ceiling)),
            None => Next::Failed(Failure::NoLevel),
        }
    }

    /// Standard error of the ceiling's level, dB.
    pub(crate) fn level_error_db(&self, sides: &[Side], bound: Bound) -> f64 {
        match bound {
            Bound::Range => 0.0,
            Bound::DeclaredMax => {
                self.points.level_for_db(self.sought.out_w_max).map_or(0.0, |declared| declared.likely_se_db)
            }
            Bound::Trip => {
                self.last_good_db().map_or(self.creep_db, |good| self.trip_db() - self.below_trip_db(good))
                    / 3f64.sqrt()
            }
            Bound::Distortion | Bound::Compression => {
                let first = sides.iter().position(Side::is_broken);
                let bracket =
                    first.and_then(|f| sides[..f].iter().rposition(|s| *s == Side::Good).map(|g| (g, f)));
                let width = bracket.map(|(g, f)| self.points.all[f].x_db - self.points.all[g].x_db);
                let found = match bracket {
                    Some((good, first)) => self.crossing(sides, good, first).map(|(e, _)| e.se_db),
                    None => {
                        let top_db = self.points.all.last().map_or(f64::NEG_INFINITY, |p| p.x_db);
                        let near = estimate::distortion(&self.points, &self.sought, self.since, top_db - 2.0);
                        near.map(|e| e.se_db)
                    }
                };
                found.or(width.map(|w| w / 12f64.sqrt())).unwrap_or(self.sought.resolution_db)
            }
        }
    }

    /// The budget is spent: the best answer there is, or why there is none.
    pub(crate) fn conclude_now(&mut self) -> Next {
        let sides = self.points.sides(&self.sought);
        let first = sides.iter().position(Side::is_broken);
        if let Some(good_db) = self.last_good_db()
            && !self.trips_db.is_empty()
            && first.is_none()
            && self.trip_db() - good_db <= 4.0
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

    pub(crate) fn never_below(&self) -> Failure {
        let lowest = self.points.all.iter().map(|p| p.distortion_pct).fold(f64::INFINITY, f64::min);
        Failure::NeverBelowLimit { limit_pct: self.sought.limit_pct, lowest_pct: lowest }
    }
}
