//! The record of a unit that was taken in: one page to print, sign and hand on.
//!
//! In comes the folder of the run that checked it and what the catalogue knows of the unit, its model and its golden unit;
//! out go the outcome with its reasons as data, and the page. It can be made anew at any time: runs that began later do not
//! change it. Called by `daemon/app` alone. What stands behind the outcome is judged in `daemon/method`.

mod beside;
mod build;
mod known;
mod page;

use serde::Serialize;
use wattproof_method::intake::{Ending, Intake};
use wattproof_method::population::{Difference, Place};

pub use build::intake;
pub use known::Known;
pub use page::intake_page;

/// What the script calls how long it took: told beside the checks, since it is none of the amplifier.
pub(crate) const BENCH_TIME: &str = "bench time";

/// An intake, told.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct IntakeRecord {
    /// Outcome, reasons and hints.
    #[serde(flatten)]
    pub intake: Intake,
    /// How the run ended.
    pub ending: Ending,
    /// The run's name.
    pub run: String,
    /// Maker of the unit.
    pub maker: String,
    /// Its model.
    pub model: String,
    /// Its serial number.
    pub serial: Option<String>,
    /// Whether unit and claims are invented.
    pub invented: bool,
    /// Whether any instrument is simulated.
    pub simulated: bool,
    /// Whether this unit is itself marked as known to be good.
    pub golden: bool,
    /// The bench.
    pub bench: String,
    /// File name of the script.
    pub script: String,
    /// When it began, UTC.
    pub started_utc: String,
    /// Who was at the bench.
    pub operator: Option<String>,
    /// What the owner complains of.
    pub complaint: Option<String>,
    /// How the inputs' calibrations stand, in words.
    pub calibration: String,
    /// What the self-check came to, in words.
    pub selfcheck: String,
    /// How long it took on the bench, s.
    pub bench_time_s: Option<f64>,
    /// The checks in order.
    pub checks: Vec<CheckTold>,
    /// Earlier runs of this serial number, the latest first.
    pub history: Vec<Former>,
    /// The earlier intake that this one is compared with.
    pub before: Option<Former>,
    /// The golden unit that this one is compared with: serial number, or run where it has none.
    pub golden_unit: Option<String>,
    /// What a reader must know before relying on it.
    pub cautions: Vec<String>,
}

/// One check beside what is known.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckTold {
    /// What was measured.
    pub name: String,
    /// Amplifier channel, from 1.
    pub channel: Option<u64>,
    /// The number, in `unit`.
    pub value: f64,
    /// Expanded uncertainty (k = 2), in `unit`.
    pub expanded_u: Option<f64>,
    /// Its unit.
    pub unit: String,
    /// The conditions.
    pub at: String,
    /// The lowest that is right.
    pub low: Option<f64>,
    /// The highest that is right.
    pub high: Option<f64>,
    /// `meets`, `short` or `undecided`; absent where it was not judged.
    pub verdict: Option<String>,
    /// What to know beside it.
    pub note: String,
    /// Its place among the other units of the model.
    pub place: Option<Place>,
    /// This unit minus the golden one.
    pub golden: Option<Difference>,
    /// What the earlier intake found, and this one minus that.
    pub before: Option<BeforeTold>,
}

/// A check of an earlier intake of the same unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BeforeTold {
    /// What was found then, in the check's unit.
    pub value: f64,
    /// Expanded uncertainty then.
    pub expanded_u: Option<f64>,
    /// Its verdict then.
    pub verdict: Option<String>,
    /// Now minus then.
    pub difference: Option<Difference>,
}

/// An earlier run of the unit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Former {
    /// The run's name.
    pub run: String,
    /// When it began, UTC.
    pub started_utc: String,
    /// File name of its script.
    pub script: String,
    /// How it ended; absent where that is not recorded.
    pub outcome: Option<String>,
    /// Its verdict; absent where nothing was judged.
    pub verdict: Option<String>,
}
