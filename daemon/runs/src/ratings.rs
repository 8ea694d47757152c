//! `ratings.json`: every judged rating of a run with its whole uncertainty budget, rewritten after each.

use std::io::Read;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use wattproof_bench::CalibrationState;
use wattproof_method::{Bracket, Contribution, Verdict};

use crate::disk::{Disk, MachineDisk};
use crate::{Driven, LimitBy, NotMeasured, RatingResult, RunError, RunFolder, VoltsResult};

/// The file's name in a run's folder.
pub const RATINGS_FILE: &str = "ratings.json";
/// Version of the keys: they keep their meaning, new ones may be added.
const FORMAT: u32 = 1;
/// Longest file that is read, bytes: a thousand ratings.
const RATINGS_BYTES_MAX: u64 = 16 << 20;

/// The whole file.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct RatingsFile {
    /// Version of the keys.
    pub format: u32,
    /// The run's name.
    pub run: String,
    /// The amplifier's model.
    pub amplifier: String,
    /// The ratings in the order in which they were judged; the last one of a number counts.
    pub ratings: Vec<RatingRecord>,
    /// The ratings that the bench, as it was wired, could not serve.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_measured: Vec<NotMeasured>,
}

/// A capture beside the ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BracketRecord {
    /// Its step; absent if the step can't be told.
    pub step: Option<u64>,
    /// Source level, V rms.
    pub level_vrms: f64,
    /// Power of the weakest driven channel, W; absent where volts are rated.
    pub power_w: Option<f64>,
    /// The limited distortion figure of the worst channel, %.
    pub distortion_pct: f64,
}

/// One judged rating.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct RatingRecord {
    /// Which rating, from 1.
    pub rating: usize,
    /// Rated power per channel or bridge, W; it and every other power is absent where volts are rated.
    pub rated_w: Option<f64>,
    /// Rated load per channel or bridge, ohm.
    pub load_ohm: f64,
    /// Rated supply voltage, V.
    pub supply_v: f64,
    /// Channels driven together.
    pub driven: Driven,
    /// Test frequency, Hz.
    pub hz: f64,
    /// What the limit applies to.
    pub limit_by: LimitBy,
    /// Distortion limit, %.
    pub limit_pct: f64,
    /// Measured power at these conditions, W.
    pub measured_w: Option<f64>,
    /// Combined standard uncertainty, W.
    pub standard_u_w: Option<f64>,
    /// Expanded uncertainty U, W.
    pub expanded_u_w: Option<f64>,
    /// U over the standard uncertainty.
    pub coverage_factor: f64,
    /// Probability with which ± U holds the true power, %.
    pub coverage_pct: f64,
    /// Effective degrees of freedom; absent when unbounded.
    pub effective_degrees: Option<f64>,
    /// Student's factor for them.
    pub t_factor: f64,
    /// Measured over rated.
    pub ratio: f64,
    /// The same in dB.
    pub ratio_db: Option<f64>,
    /// The verdict.
    pub verdict: Verdict,
    /// The verdict spelled out.
    pub verdict_words: String,
    /// Probability that the rating is met.
    pub probability_met: Option<f64>,
    /// Power as indicated, before its correction, W.
    pub indicated_w: Option<f64>,
    /// Measured over indicated power.
    pub correction: f64,
    /// Fundamental at the output at the ceiling, V rms.
    pub out_vrms: f64,
    /// Source level at the ceiling, V rms.
    pub level_vrms: f64,
    /// The limited distortion figure at the ceiling, %.
    pub distortion_pct: f64,
    /// Why it stops there.
    pub cause: String,
    /// The facts behind it.
    pub evidence: Vec<String>,
    /// The capture below the ceiling.
    pub below: Option<BracketRecord>,
    /// The capture above it.
    pub above: Option<BracketRecord>,
    /// Captures that the search used.
    pub captures: usize,
    /// Time at an eighth of the rated power or more, s.
    pub seconds_at_power: Option<f64>,
    /// Energy into the loads, J.
    pub joules: Option<f64>,
    /// What to know beside the numbers.
    pub notes: Vec<String>,
    /// The uncertainty budget of the power; empty where volts are rated.
    pub budget: Vec<Contribution>,
    /// How the inputs' calibration stood on the day on which the run began, the worse of both.
    #[serde(default)]
    pub calibration: CalibrationState,
    /// What a rating in volts came to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volts: Option<VoltsResult>,
}

impl RatingRecord {
    /// The claimed figure with its unit, as "50 W" or "5 V".
    #[must_use]
    pub fn claimed(&self) -> String {
        match (&self.volts, self.rated_w) {
            (Some(volts), _) => format!("{} V", volts.rated_vrms),
            (None, Some(rated_w)) => format!("{rated_w} W"),
            (None, None) => "nothing".into(),
        }
    }
}

impl RatingRecord {
    /// The step whose capture lies nearest its ceiling.
    #[must_use]
    pub fn nearest_step(&self) -> Option<u64> {
        let apart = |level_vrms: f64| (level_vrms / self.level_vrms).ln().abs();
        let beside = [&self.below, &self.above].into_iter().flatten();
        let steps = beside.filter_map(|at| Some((at.step?, apart(at.level_vrms))));
        steps.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(step, _)| step)
    }
}

impl From<&RatingResult> for RatingRecord {
    fn from(result: &RatingResult) -> Self {
        let (claim, ceiling, volts) = (&result.claim, &result.ceiling, result.volts.as_ref());
        let budget = result.budget.as_ref();
        // Energy, and the power of a capture, need a current.
        let measured = |value: f64| volts.is_none().then_some(value);
        let t_factor = budget.map(|budget| budget.t_factor).or(volts.map(|volts| volts.t_factor));
        let bracket = |bracket: Bracket, step| BracketRecord {
            step,
            level_vrms: bracket.level_vrms,
            power_w: measured(bracket.power_w),
            distortion_pct: bracket.thdn_pct,
        };
        Self {
            rating: result.rating,
            rated_w: claim.watts,
            load_ohm: claim.load_ohm,
            supply_v: claim.supply_v,
            driven: claim.driven,
            hz: claim.hz,
            limit_by: claim.limit_by,
            limit_pct: claim.limit_pct,
            measured_w: result.measured_w,
            standard_u_w: budget.map(|budget| budget.standard_u_w),
            expanded_u_w: result.expanded_u_w,
            coverage_factor: result.coverage_factor(),
            coverage_pct: result.coverage_pct,
            effective_degrees: result.effective_degrees(),
            t_factor: t_factor.unwrap_or(f64::NAN),
            ratio: result.ratio,
            ratio_db: result.ratio_db,
            verdict: result.verdict,
            verdict_words: result.verdict_words.clone(),
            probability_met: result.probability_met,
            indicated_w: result.indicated_w,
            correction: result.correction,
            out_vrms: ceiling.out_vrms,
            level_vrms: ceiling.level_vrms,
            distortion_pct: ceiling.thdn_pct,
            cause: ceiling.cause.to_string(),
            evidence: ceiling.evidence.clone(),
            below: ceiling.below.map(|below| bracket(below, result.below_step)),
            above: ceiling.above.map(|above| bracket(above, result.above_step)),
            captures: ceiling.captures,
            seconds_at_power: measured(result.spent.seconds_at_power),
            joules: measured(result.spent.joules),
            notes: result.notes.clone(),
            budget: budget.map(|budget| budget.contributions.clone()).unwrap_or_default(),
            calibration: result.calibration,
            volts: result.volts.clone(),
        }
    }
}

/// The ratings of a run can't be read.
#[derive(Debug, thiserror::Error)]
pub enum RatingsError {
    /// There is no such folder.
    #[error("run {path}: no such folder; give a run's folder, as results/20260102T030405Z-example")]
    NoRun {
        /// The folder.
        path: PathBuf,
    },
    /// The folder holds no ratings.
    #[error(
        "run {path}: no ratings.json; it is written when the first rating is judged, so this run judged none (see journal.jsonl and run.json there)"
    )]
    NoRatings {
        /// The folder.
        path: PathBuf,
    },
    /// The file can't be read.
    #[error("ratings {path}: {source}; check what stands there and who may read it")]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file isn't what this program writes.
    #[error(
        "ratings {path}: {source}; it was altered or written by another version, the journal beside it is the truth"
    )]
    Parse {
        /// The file.
        path: PathBuf,
        /// Why.
        source: serde_json::Error,
    },
    /// A rating was left out of this run.
    #[error("run {run} did not measure rating {rating}: {why}")]
    LeftOut {
        /// The run.
        run: String,
        /// The rating asked for.
        rating: usize,
        /// Why, and what to do.
        why: String,
    },
    /// A rating was not judged in this run.
    #[error("run {run} has no rating {rating}; it judged {judged}")]
    NoRating {
        /// The run.
        run: String,
        /// The rating asked for.
        rating: usize,
        /// Those that exist.
        judged: String,
    },
}

impl RatingsFile {
    /// Of the ratings judged so far.
    #[must_use]
    pub fn new(run: &str, amplifier: &str, results: &[RatingResult], left_out: &[NotMeasured]) -> Self {
        let ratings = results.iter().map(RatingRecord::from).collect();
        let (run, amplifier) = (run.to_string(), amplifier.to_string());
        Self { format: FORMAT, run, amplifier, ratings, not_measured: left_out.to_vec() }
    }

    /// As text.
    ///
    /// # Errors
    /// [`RunError::Folder`].
    pub fn text(&self, folder: &RunFolder) -> Result<String, RunError> {
        serde_json::to_string_pretty(self).map_err(|error| RunError::Folder {
            path: folder.file(RATINGS_FILE),
            source: std::io::Error::other(error),
        })
    }

    /// Reads the ratings of a run from its folder.
    ///
    /// # Errors
    /// [`RatingsError`].
    pub fn read(folder: &Path) -> Result<Self, RatingsError> {
        if !folder.is_dir() {
            return Err(RatingsError::NoRun { path: folder.into() });
        }
        let path = folder.join(RATINGS_FILE);
        let read = MachineDisk.reader(&path).and_then(|file| {
            let mut text = String::new();
            file.take(RATINGS_BYTES_MAX + 1).read_to_string(&mut text)?;
            Ok(text)
        });
        let text = read.map_err(|source| match source.kind() {
            std::io::ErrorKind::NotFound => RatingsError::NoRatings { path: folder.into() },
            _ => RatingsError::Read { path: path.clone(), source },
        })?;
        if text.len() as u64 > RATINGS_BYTES_MAX {
            let what = format!("it is longer than {RATINGS_BYTES_MAX} bytes, which no run leaves");
            let source = std::io::Error::new(std::io::ErrorKind::InvalidInput, what);
            return Err(RatingsError::Read { path, source });
        }
        Self::parse(&path, &text)
    }

    /// The ratings in a text; `path` is for messages only.
    ///
    /// # Errors
    /// [`RatingsError::Parse`].
    pub fn parse(path: &Path, text: &str) -> Result<Self, RatingsError> {
        serde_json::from_str(text).map_err(|source| RatingsError::Parse { path: path.into(), source })
    }

    /// A rating by its number, as judged last.
    ///
    /// # Errors
    /// [`RatingsError::NoRating`] names those that exist, [`RatingsError::LeftOut`] says why it was not measured.
    pub fn rating(&self, number: usize) -> Result<&RatingRecord, RatingsError> {
        let found = self.ratings.iter().rev().find(|record| record.rating == number);
        found.ok_or_else(|| {
            let (run, left_out) =
                (self.run.clone(), self.not_measured.iter().find(|one| one.rating == number));
            match left_out {
                Some(one) => RatingsError::LeftOut { run, rating: number, why: one.why.clone() },
                None => RatingsError::NoRating { run, rating: number, judged: self.judged() },
            }
        })
    }

    /// The ratings that exist, in words.
    fn judged(&self) -> String {
        let line = |record: &RatingRecord| {
            format!(
                "{} ({} into {} ohm at {} V)",
                record.rating,
                record.claimed(),
                record.load_ohm,
                record.supply_v
            )
        };
        let all: Vec<String> = self.ratings.iter().map(line).collect();
        if all.is_empty() { "none".to_string() } else { all.join(", ") }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Faults 52 and 53: neither a huge nor a deep file, nor a link in its place, costs more than an error.
    #[test]
    fn fault_52_and_53_ratings_that_are_huge_deep_or_elsewhere_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(RATINGS_FILE);
        let refused = || RatingsFile::read(folder.path()).unwrap_err().to_string();
        for text in ["[".repeat(100_000), "{\"ratings\":".repeat(100_000)] {
            std::fs::write(&path, text).unwrap();
            assert!(refused().contains("altered"), "{}", refused());
        }
        let ending = |ending: &str| format!("{{\"format\":1,\"run\":{ending}");
        std::fs::write(&path, ending(&"[".repeat(100_000))).unwrap();
        assert!(refused().contains("altered"), "{}", refused());
        std::fs::File::create(&path).unwrap().set_len(1 << 40).unwrap();
        assert!(refused().contains("longer than"), "{}", refused());
        std::fs::remove_file(&path).unwrap();
        std::os::unix::fs::symlink("/etc/hostname", &path).unwrap();
        assert!(refused().contains("symbolic link"), "{}", refused());
    }
}
