//! What short looks at louder levels tell: where the limit may lie, and how far up is clear.

use crate::estimate;
use crate::observe::{Look, Observation};
use crate::points::Point;
use crate::search::CeilingSearch;
use crate::sought::Reach;

/// From the middle of a ramp's last block to its end, dB.
const RAMP_END_DB: f64 = 0.2;

impl CeilingSearch {
    /// Where the looks taken so far show the limit, dB, if that is above what was held. Looks are short: supply and
    /// limiter may not have followed yet, so it is only where to capture next.
    pub(crate) fn looked_ahead(&self, top_db: f64) -> Option<f64> {
        let point = self.as_point(self.looks.last()?)?;
        let lost_db = self.gain_lost_db(&point) - self.sought.compression_db_max;
        let limited = (lost_db > 0.0).then_some(point.x_db - lost_db);
        let crossing = match self.seen_rising() {
            // The blocks of a ramp bracket the limit; the curve of the last may place it more exactly.
            Some((good_db, bad_db, between_db)) => {
                let curve = point.own.map(|e| e.x_db).filter(|x| (good_db..=bad_db).contains(x));
                Some(curve.unwrap_or(between_db))
            }
            None => point.own.map(|e| e.x_db),
        };
        let found = match (crossing, limited) {
            (Some(c), Some(l)) => c.min(l),
            (Some(c), None) => c,
            (None, Some(l)) => l,
            // A ramp that reached its end without breaking the limit: its end is the next level to hold.
            (None, None) if self.sought.reach == Reach::Streamed => point.x_db + RAMP_END_DB,
            (None, None) => return None,
        };
        (found > top_db + 0.05).then_some(found)
    }

    /// The last two blocks of a ramp between which distortion passes the limit for good, and the level between them:
    /// dB of the lower, of the upper, and where a straight line of ln(distortion) crosses.
    pub(crate) fn seen_rising(&self) -> Option<(f64, f64, f64)> {
        let limit_pct = self.sought.limit_pct;
        let worst = |look: &Look| look.channels.iter().filter_map(|c| c.thd_pct).reduce(f64::max);
        let seen: Vec<(f64, f64)> = self
            .looks
            .iter()
            .filter_map(|look| {
                Some((20.0 * look.level_vrms.log10(), (worst(look)?.max(1e-6) / limit_pct).ln()))
            })
            .collect();
        let pair = seen.windows(2).rev().find(|w| w[0].1 <= 0.0 && w[1].1 > 0.0 && w[1].0 > w[0].0)?;
        let ((good_db, good), (bad_db, bad)) = (pair[0], pair[1]);
        Some((good_db, bad_db, good_db + (bad_db - good_db) * -good / (bad - good)))
    }

    /// Highest level at or above `top_db` that a look has shown to keep the limit, dB.
    pub(crate) fn clear_db(&self, top_db: f64) -> f64 {
        let kept = |look: &&Look| {
            let Some(point) = self.as_point(look) else { return false };
            let clean = estimate::excess_at(&point, point.x_db, &self.sought).is_some_and(|e| e < -0.7);
            clean && self.gain_lost_db(&point) < self.sought.compression_db_max - 0.5
        };
        self.looks.iter().filter(kept).map(|look| 20.0 * look.level_vrms.log10()).fold(top_db, f64::max)
    }

    /// A look as if it were a capture, with the noise of the captures.
    pub(crate) fn as_point(&self, look: &Look) -> Option<Point> {
        let before = self.points.all.last()?;
        let channels = look.channels.iter().zip(&before.seen.channels).map(|(l, c)| {
            let mut channel = c.clone();
            channel.fundamental_vrms = l.fundamental_vrms;
            channel.active_w = None;
            channel.thd_pct = l.thd_pct;
            channel.thdn_pct = l.thd_pct;
            channel.curve = l.curve.clone();
            // A look is loud: noise doesn't count beside what it has to show.
            channel.noise_vrms = None;
            channel
        });
        let seen = Observation {
            level_vrms: look.level_vrms,
            channels: channels.collect(),
            ..Observation::default()
        };
        Point::new(&seen, &self.sought, self.captures)
    }

    pub(crate) fn gain_lost_db(&self, point: &Point) -> f64 {
        (0..point.out_db.len())
            .map(|c| {
                let gain = |p: &Point| p.out_db.get(c).map_or(f64::NEG_INFINITY, |out| out - p.x_db);
                self.points.all.iter().map(gain).fold(f64::NEG_INFINITY, f64::max) - gain(point)
            })
            .fold(0.0, f64::max)
    }

    /// Whether a look has shown the limit: then it is near, or what the look saw doesn't last.
    pub(crate) fn limit_was_seen(&self) -> bool {
        self.looks.iter().any(|look| {
            self.as_point(look)
                .is_some_and(|p| p.own.is_some() || self.gain_lost_db(&p) > self.sought.compression_db_max)
        })
    }
}
