//! The captures so far, ordered by level, and what they say together: gain, compression, knee, bracket.

use crate::estimate::{self, Estimate};
use crate::observe::{ChannelObservation, Observation};
use crate::sought::{LimitOn, Sought};

/// Share of the rating below which output is quiet.
pub(crate) const QUIET: f64 = 0.01;
/// How far below a capture another must lie to show whether the stage is fixed, dB.
const BELOW_DB: f64 = 1.5;
/// How far below the loudest capture a curve still tells the gain that counts there, dB.
const LOUD_DB: f64 = 6.0;
/// Standard deviations of a gain's reading that are left between what is commanded and the declared maximum. A level's
/// reading scatters normally; five are passed once in 3.5 million.
pub(crate) const COVERAGE: f64 = 5.0;
/// Share of noise up to which a curve tells its steepest gain.
const STEEP_NOISE: f64 = 0.01;
/// How much steeper noise alone makes a curve look over a fifth of its drive, dB for its share of the fundamental: 20
/// harmonics fitted over 0.15 s in 40 kHz of noise, the steepest of nine places.
const STEEP_DOUBT_DB: f64 = 9.0;

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
    /// Whether its record was a short one, made on the way up.
    pub brief: bool,
    /// The observation itself.
    pub seen: Observation,
    /// Where its own transfer curves cross the limit.
    pub own: Option<Estimate>,
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
        let mut point = Self {
            x_db,
            out_db,
            power_w,
            distortion_pct: worst,
            excess,
            excess_se,
            order,
            brief: false,
            seen,
            own: None,
        };
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

/// Where an output is reached, dB re 1 V rms of source level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ForOutput {
    /// By the mean of the gains read, and its standard error, dB.
    pub likely_db: f64,
    pub likely_se_db: f64,
    /// Where even a gain read `COVERAGE` standard errors too low keeps below it.
    pub sure_db: f64,
}

/// All usable captures, ordered by level.
#[derive(Debug, Clone, Default)]
pub(crate) struct Points {
    /// Ascending in level.
    pub all: Vec<Point>,
    /// Expected scatter of one level, dB.
    pub level_scatter_db: f64,
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

    /// Gain by each capture, dB re 1 W for 1 V rms, in its strongest channel: of its fundamental, and for the loud ones
    /// the steepest gain that its transfer curve shows, since a dead zone hides some of it in a sine. Curves of quiet
    /// captures show what no longer counts where it is loud. Noise makes a curve steep in places: `doubt_db` is taken
    /// off for its share of the fundamental.
    fn gains_db(&self, doubt_db: f64) -> Vec<f64> {
        let loud_db = self.all.last().map_or(f64::INFINITY, |p| p.x_db - LOUD_DB);
        let gain = |p: &Point| {
            let channels = p.seen.channels.iter().zip(&p.power_w);
            let most = channels.filter_map(|(channel, power_w)| {
                let plain_db = 10.0 * power_w.log10() - p.x_db;
                let steeper_db = || {
                    let fundamental = positive(channel.fundamental_vrms)?;
                    let noise = channel.noise_vrms.map(|noise| noise / fundamental);
                    let noise = noise.filter(|noise| *noise < STEEP_NOISE)?;
                    let steepest = channel.curve.as_ref()?.steepest() / (fundamental * 2f64.sqrt());
                    Some(20.0 * steepest.log10() - doubt_db * noise)
                };
                let steeper_db = if p.x_db >= loud_db { steeper_db() } else { None };
                Some(plain_db + steeper_db.unwrap_or(0.0).max(0.0)).filter(|gain| gain.is_finite())
            });
            most.max_by(f64::total_cmp)
        };
        self.all.iter().filter_map(gain).collect()
    }

    /// The highest of `gains`, and the mean and count of those that scatter alone keeps below it.
    fn highest_alike(&self, gains: &[f64]) -> Option<(f64, f64, f64)> {
        let highest = gains.iter().copied().max_by(f64::total_cmp)?;
        let alike = gains.iter().filter(|gain| **gain >= highest - 3.0 * self.level_scatter_db);
        let (count, sum) = alike.fold((0.0, 0.0), |(n, sum), gain| (n + 1.0, sum + gain));
        Some((highest, sum / count, count))
    }

    /// Level at which the strongest channel is predicted to give `out_w`.
    pub(crate) fn level_for_db(&self, out_w: f64) -> Option<ForOutput> {
        let (highest, mean, count) = self.highest_alike(&self.gains_db(0.0))?;
        let (_, likely, likely_count) = self.highest_alike(&self.gains_db(STEEP_DOUBT_DB))?;
        let out_db = 10.0 * out_w.log10();
        let error_db = |count: f64| self.level_scatter_db / count.sqrt();
        Some(ForOutput {
            likely_db: out_db - likely,
            likely_se_db: error_db(likely_count),
            sure_db: out_db - highest.max(mean + COVERAGE * error_db(count)),
        })
    }

    /// Distance from `x_db` to the nearest capture, dB.
    pub(crate) fn nearest_db(&self, x_db: f64) -> f64 {
        self.all.iter().map(|p| (p.x_db - x_db).abs()).fold(f64::INFINITY, f64::min)
    }
}
