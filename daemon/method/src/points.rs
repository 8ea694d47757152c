//! The captures so far, ordered by level, and what they say together: gain, compression, knee, bracket.

use crate::estimate::{self, Estimate};
use crate::observe::{ChannelObservation, Observation};
use crate::sought::{LimitOn, Sought};

/// A loss of gain between neighbours that scatter of the readings doesn't explain, dB.
const KNEE_LOSS_DB: f64 = 0.07;
/// Least distance to the lower neighbour a knee is judged against, dB.
const KNEE_BASE_DB: f64 = 0.3;

/// How far away the next point above still tells whether distortion follows the level, dB.
const NEIGHBOUR_DB: f64 = 7.0;
/// Share of the rating below which output is quiet.
pub(crate) const QUIET: f64 = 0.01;
/// How far below a capture another must lie to show whether the stage is fixed, dB.
const BELOW_DB: f64 = 1.5;
/// Slope that the end of a curve has lost to its middle, from which it bends: so much, or what a gentle bend loses well
/// below the limit (y = x − a·x³ distorts by a/4 and loses 2.7·a over the outermost tenth: eleven times as much).
const KNEE_LOSS: f64 = 0.015;
const KNEE_LOSS_PER_LIMIT: f64 = 5.0;
/// How far below a record's own level its curve is asked whether distortion rises, as a ratio (0.5 dB).
const FALL_RATIO: f64 = 0.944;
/// A bend is gentle whose end has kept so much of its slope, and lost so much per distortion: a cubic loses 11 times, a
/// hard clip 28 times at 1 % and more below (closed forms, over the outermost tenth). ln(distortion) by which the point below is worse
/// and by which the curve doesn't tell of it, where distortion falls with level.
const GENTLE_SLOPE: f64 = 0.6;
const GENTLE_LOSS: f64 = 16.0;
const FALL: f64 = 0.2;
const UNTOLD: f64 = 1.0;
/// Share of noise up to which a curve tells its steepest gain.
const STEEP_NOISE: f64 = 0.01;
/// Difference of ln(distortion) up to which one capture's curve explains another.
const EXPLAINED: f64 = 0.1;

/// One usable capture.
#[derive(Debug, Clone)]
pub(crate) struct Point {
    /// Source level, dB re 1 V rms.
    pub x_db: f64,
    /// Fundamental of each channel, dB re 1 V rms.
    pub out_db: Vec<f64>,
    /// Power of each channel, W.
    pub power_w: Vec<f64>,
    /// The limited figure of the worst channel, percent.
    pub distortion_pct: f64,
    /// ln(distortion / limit) by reading and curve together, and its standard error.
    pub excess: f64,
    pub excess_se: f64,
    /// When it was made: 1 for the first.
    pub order: usize,
    /// The observation itself.
    pub seen: Observation,
    /// Where its own transfer curves cross the limit.
    pub own: Option<Estimate>,
}

/// Slope of a curve's end over its middle below which it bends.
pub(crate) fn knee_slope(sought: &Sought) -> f64 {
    1.0 - KNEE_LOSS.min(KNEE_LOSS_PER_LIMIT * sought.limit_pct / 100.0)
}

fn positive(value: Option<f64>) -> Option<f64> {
    value.filter(|v| v.is_finite() && *v > 0.0)
}

impl Point {
    /// A point from an observation, or `None` where a figure the search needs is missing or unusable.
    pub(crate) fn new(seen: &Observation, sought: &Sought, order: usize) -> Option<Self> {
        let level = positive(Some(seen.level_vrms))?;
        if seen.channels.is_empty() {
            return None;
        }
        let (mut out_db, mut power_w, mut worst) = (Vec::new(), Vec::new(), 0f64);
        for channel in &seen.channels {
            let fundamental = positive(channel.fundamental_vrms)?;
            let figure = match sought.limit_on {
                LimitOn::Thd => channel.thd_pct,
                LimitOn::ThdN => channel.thdn_pct,
            };
            let figure = figure.filter(|d| d.is_finite() && *d >= 0.0)?;
            worst = worst.max(figure.max(1e-7));
            let db = 20.0 * fundamental.log10();
            let power = Self::channel_w(channel, fundamental, sought);
            if !(power.is_finite() && power > 0.0) {
                return None;
            }
            out_db.push(db);
            power_w.push(power);
        }
        let x_db = 20.0 * level.log10();
        let (excess, excess_se) = ((worst / sought.limit_pct).ln(), sought.distortion_scatter);
        let seen = seen.clone();
        let mut point =
            Self { x_db, out_db, power_w, distortion_pct: worst, excess, excess_se, order, seen, own: None };
        if let Some(here) = estimate::excess_at(&point, x_db, sought) {
            let (offset, sigma) = estimate::corrected(&point, here, sought);
            (point.excess, point.excess_se) = (here + offset, sigma);
            point.own = estimate::of_point(&point, offset, sought);
        }
        Some(point)
    }

    /// Active power as measured; only where no current was measured, V²/R of the fundamental.
    fn channel_w(channel: &ChannelObservation, fundamental_vrms: f64, sought: &Sought) -> f64 {
        let load = positive(channel.load_ohm_measured).unwrap_or(sought.load_ohm);
        positive(channel.active_w).unwrap_or(fundamental_vrms * fundamental_vrms / load)
    }

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

    /// Source level, V rms.
    pub(crate) fn level_vrms(&self) -> f64 {
        self.seen.level_vrms
    }

    /// Lowest power of the driven channels, W.
    pub(crate) fn lowest_w(&self) -> f64 {
        self.power_w.iter().copied().fold(f64::INFINITY, f64::min)
    }

    /// First finite positive value of a channel figure, lowest channel.
    pub(crate) fn lowest(&self, pick: impl Fn(&ChannelObservation) -> Option<f64>) -> Option<f64> {
        self.seen.channels.iter().filter_map(|c| pick(c).filter(|v| v.is_finite())).min_by(f64::total_cmp)
    }

    /// Highest finite value of a channel figure.
    pub(crate) fn highest(&self, pick: impl Fn(&ChannelObservation) -> Option<f64>) -> Option<f64> {
        self.seen.channels.iter().filter_map(|c| pick(c).filter(|v| v.is_finite())).max_by(f64::total_cmp)
    }
}

/// All usable captures, ordered by level.
#[derive(Debug, Clone, Default)]
pub(crate) struct Points {
    /// Ascending in level.
    pub all: Vec<Point>,
    /// Expected scatter of one level, dB.
    pub level_scatter_db: f64,
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

impl Points {
    /// Takes a capture in; `false` where the number of channels changed.
    pub(crate) fn add(&mut self, point: Point) -> bool {
        if self.all.first().is_some_and(|p| p.out_db.len() != point.out_db.len()) {
            return false;
        }
        let at = self.all.partition_point(|p| p.x_db <= point.x_db);
        self.all.insert(at, point);
        true
    }

    /// Loss of gain in the worst channel of point `i` against the highest gain at or below its level, dB: the mean of
    /// those that scatter alone keeps below it, since the highest of several is high by chance.
    pub(crate) fn compression_db(&self, i: usize) -> f64 {
        let at = &self.all[i];
        (0..at.out_db.len())
            .map(|c| {
                let gain = |p: &Point| p.out_db[c] - p.x_db;
                let highest = self.all[..=i].iter().map(gain).fold(f64::NEG_INFINITY, f64::max);
                let least = highest - 3.0 * self.level_scatter_db;
                let alike = self.all[..=i].iter().map(gain).filter(|gain| *gain >= least);
                let (count, sum) = alike.fold((0.0, 0.0), |(n, sum), gain| (n + 1.0, sum + gain));
                sum / count - gain(at)
            })
            .fold(0.0, f64::max)
    }

    /// Gain that was taken back at point `i`, dB, in the worst channel: what its curve, if it were that of a fixed
    /// stage, would give at the next lower capture, beside what that capture gave. `None` where a channel shows no
    /// curve; 0 where nothing lies below.
    pub(crate) fn taken_db(&self, i: usize) -> Option<f64> {
        let at = &self.all[i];
        let below = self.all[..i].iter().rev().find(|p| p.x_db <= at.x_db - BELOW_DB);
        let mut taken = 0f64;
        for (c, channel) in at.seen.channels.iter().enumerate() {
            let curve = channel.curve.as_ref()?;
            let Some(below) = below else { continue };
            let level = |ratio: f64| Some(20.0 * curve.predict(ratio, Some(1))?.fundamental_vrms.log10());
            let fixed_db = level(10f64.powf((below.x_db - at.x_db) / 20.0))? - level(1.0)?;
            taken = taken.max((below.out_db[c] - at.out_db[c] - fixed_db).abs());
        }
        Some(taken)
    }

    /// Output of the strongest channel predicted for `x_db` from the highest gain seen anywhere, W.
    pub(crate) fn predicted_w(&self, x_db: f64) -> Option<f64> {
        let per_v2 = self
            .all
            .iter()
            .flat_map(|p| p.power_w.iter().map(|w| 10.0 * w.log10() - p.x_db))
            .max_by(f64::total_cmp)?;
        Some(10f64.powf((per_v2 + x_db) / 10.0))
    }

    /// The same from the steepest gain that any transfer curve shows too: a dead zone hides some of it in a sine.
    pub(crate) fn predicted_w_most(&self, x_db: f64) -> Option<f64> {
        let steeper = |p: &Point| {
            let channels = p.seen.channels.iter().zip(&p.power_w);
            let most_w = channels.filter_map(|(channel, power_w)| {
                let fundamental = positive(channel.fundamental_vrms)?;
                // Noise makes a curve look steep in places.
                channel.noise_vrms.filter(|noise| *noise < STEEP_NOISE * fundamental)?;
                let gain = channel.curve.as_ref()?.steepest() / (fundamental * 2f64.sqrt());
                Some(power_w * gain * gain * 10f64.powf((x_db - p.x_db) / 10.0))
            });
            most_w.fold(0.0, f64::max)
        };
        Some(self.all.iter().map(steeper).fold(self.predicted_w(x_db)?, f64::max))
    }

    /// Distance from `x_db` to the nearest capture, dB.
    pub(crate) fn nearest_db(&self, x_db: f64) -> f64 {
        self.all.iter().map(|p| (p.x_db - x_db).abs()).fold(f64::INFINITY, f64::min)
    }

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
