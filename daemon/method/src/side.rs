//! On which side of the ceiling a capture lies: whether what breaks the limit is a knee, or noise, a dead zone, a bump.

use crate::estimate;
use crate::points::{Point, Points, QUIET};
use crate::sought::Sought;

/// A loss of gain between neighbours that scatter of the readings doesn't explain, dB.
const KNEE_LOSS_DB: f64 = 0.07;
/// Least distance to the lower neighbour a knee is judged against, dB.
const KNEE_BASE_DB: f64 = 0.3;
/// How far away the next point above still tells whether distortion follows the level, dB.
const NEIGHBOUR_DB: f64 = 7.0;
/// How far below a record's own level its curve is asked whether distortion rises, as a ratio (0.5 dB).
const FALL_RATIO: f64 = 0.944;
/// Slope that the end of a curve has lost to its middle, from which it bends: so much, or what a gentle bend loses well
/// below the limit (y = x − a·x³ distorts by a/4 and loses 2.7·a over the outermost tenth: eleven times as much).
const KNEE_LOSS: f64 = 0.015;
const KNEE_LOSS_PER_LIMIT: f64 = 5.0;
/// A bend is gentle whose end has kept so much of its slope, and lost no more than so many times its distortion: a cubic
/// loses 11 times, a hard clip 28 times at 1 % and more below (closed forms, over the outermost tenth).
const GENTLE_SLOPE: f64 = 0.6;
const GENTLE_LOSS: f64 = 16.0;
/// ln(distortion) by which the point below is worse, and by which the curve doesn't tell of it, where distortion falls
/// with level.
const FALL: f64 = 0.2;
const UNTOLD: f64 = 1.0;
/// Difference of ln(distortion) up to which one capture's curve explains another.
const EXPLAINED: f64 = 0.1;

/// Slope of a curve's end over its middle below which it bends.
pub(crate) fn knee_slope(sought: &Sought) -> f64 {
    1.0 - KNEE_LOSS.min(KNEE_LOSS_PER_LIMIT * sought.limit_pct / 100.0)
}

/// What a point says about the ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    /// Keeps the limit.
    Good,
    /// Breaks the limit by distortion, compressing or rising as a ceiling does.
    Distorted,
    /// Has lost more gain than allowed.
    Compressed,
    /// Breaks the limit without a knee: noise, crossover, a bump.
    Bump,
}

impl Side {
    /// Beyond the ceiling.
    pub(crate) fn is_broken(&self) -> bool {
        matches!(self, Self::Distorted | Self::Compressed)
    }
}

impl Point {
    /// Whether the record itself shows a knee; `None` where a channel shows no curve.
    fn knee(&self, sought: &Sought) -> Option<bool> {
        let mut knee = false;
        for channel in &self.seen.channels {
            let curve = channel.curve.as_ref()?;
            let here = curve.predict(1.0, sought.harmonics_max)?.thd_pct;
            let below = curve.predict(FALL_RATIO, sought.harmonics_max)?.thd_pct;
            // Harmonics within the limit can't be what breaks it: noise does.
            let harmonics = here > 0.5 * sought.limit_pct;
            knee |= harmonics
                && curve.end_slope().is_some_and(|slope| slope < knee_slope(sought))
                && below < here;
        }
        Some(knee)
    }
}

impl Points {
    /// Which side of the ceiling point `i` is on.
    pub(crate) fn side(&self, i: usize, sought: &Sought) -> Side {
        if self.compression_db(i) > sought.compression_db_max {
            Side::Compressed
        } else if self.all[i].excess <= 0.0 {
            Side::Good
        } else if self.knee(i, sought) {
            Side::Distorted
        } else {
            Side::Bump
        }
    }

    /// Distortion rises into point `i` and gain is lost, or it rises where the amplifier is loud anyway. A transfer
    /// curve tells better: an end flatter than the middle, and less distortion at less drive, unless the neighbours
    /// show that distortion doesn't follow the level.
    fn knee(&self, i: usize, sought: &Sought) -> bool {
        let at = &self.all[i];
        let base = self.all[..i].iter().rposition(|p| p.x_db <= at.x_db - KNEE_BASE_DB);
        if let Some(knee) = at.knee(sought) {
            let near = base.filter(|base| self.all[*base].x_db >= at.x_db - NEIGHBOUR_DB);
            let rises = near.is_none_or(|base| self.rises(base, i));
            let loud = self.predicted_w(at.x_db).is_some_and(|w| w > QUIET * sought.rated_w);
            // Where nothing is known below, a bend at so little power is rather a stage's fault at low level, unless
            // what was seen above is the same bend.
            let known = near.is_some() || loud || self.explained(i, sought);
            let bends = knee && rises && known && !self.falls_above(i) && !self.falls_into(i, sought);
            let lost_db = self.compression_db(i);
            return bends || lost_db > 0.5 || rises && lost_db > 0.2 + 3.0 * sought.level_scatter_db;
        }
        let Some(base) = base else { return false };
        let rise = (at.distortion_pct / self.all[base].distortion_pct).ln();
        if rise < 3.0 * sought.distortion_scatter {
            // A limiter or sag can pull a bad reading level with its neighbour: lost gain decides then.
            return self.compression_db(i) > 0.3 && rise > -3.0 * sought.distortion_scatter;
        }
        let lost = self.compression_db(i) - self.compression_db(base);
        let loud = self.predicted_w(at.x_db).is_some_and(|w| w > 0.25 * sought.rated_w);
        lost > KNEE_LOSS_DB || loud
    }

    /// Distortion rises from one point to a higher one, or gain falls.
    fn rises(&self, from: usize, to: usize) -> bool {
        let rise = self.all[to].excess - self.all[from].excess;
        let lost = self.compression_db(to) - self.compression_db(from);
        rise > 3.0 * self.all[to].excess_se.max(self.all[from].excess_se) || lost > KNEE_LOSS_DB
    }

    /// The next point below shows more distortion than this one, and more than this one's curve tells of there: it falls
    /// with level still, so that a gentle bend here is no ceiling.
    pub(crate) fn falls_into(&self, i: usize, sought: &Sought) -> bool {
        let at = &self.all[i];
        let Some(below) = self.all[..i].iter().rev().find(|p| p.x_db <= at.x_db - KNEE_BASE_DB) else {
            return false;
        };
        let gentle = at.seen.channels.iter().filter_map(|c| c.curve.as_ref()).all(|curve| {
            let distortion = curve.predict(1.0, sought.harmonics_max).map_or(0.0, |p| p.thd_pct / 100.0);
            let slope = curve.end_slope().unwrap_or(0.0);
            slope > GENTLE_SLOPE && 1.0 - slope < GENTLE_LOSS * distortion
        });
        let told = estimate::excess_at(at, below.x_db, sought);
        gentle && told.is_some_and(|told| below.excess > told.max(at.excess - UNTOLD + FALL) + UNTOLD)
    }

    /// The curve of a bending point above tells what is seen here, and rises all the way.
    fn explained(&self, i: usize, sought: &Sought) -> bool {
        let at = &self.all[i];
        self.all[i + 1..].iter().filter(|p| p.knee(sought) == Some(true)).any(|above| {
            let told = |x: f64| estimate::excess_at(above, x, sought);
            let Some((here, halfway)) = told(at.x_db).zip(told(0.5 * (at.x_db + above.x_db))) else {
                return false;
            };
            (here - at.excess).abs() < EXPLAINED + 4.0 * at.excess_se && halfway >= here
        })
    }

    /// The next point above shows no more distortion and no less gain: what was seen here is no ceiling.
    fn falls_above(&self, i: usize) -> bool {
        let at = &self.all[i];
        let above = (i + 1..self.all.len()).find(|j| self.all[*j].x_db >= at.x_db + KNEE_BASE_DB);
        above.is_some_and(|j| self.all[j].x_db <= at.x_db + NEIGHBOUR_DB && !self.rises(i, j))
    }

    /// Sides of all points in order.
    pub(crate) fn sides(&self, sought: &Sought) -> Vec<Side> {
        (0..self.all.len()).map(|i| self.side(i, sought)).collect()
    }
}
