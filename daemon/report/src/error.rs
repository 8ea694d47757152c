//! Why a recorded run could not be told.

use std::path::PathBuf;

use wattproof_runs::{CaptureError, JournalError, RatingsError, RunError};

/// Why a recorded run could not be told.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// It is no folder of a run, or one of its parts is a link.
    #[error("{0}")]
    Folder(RunError),
    /// A file of the run is missing.
    #[error("run {run}: no {file}; {next}")]
    Missing {
        /// The run.
        run: String,
        /// The file.
        file: &'static str,
        /// What to do.
        next: &'static str,
    },
    /// A file can't be read.
    #[error("{path}: {source}; check what stands there and who may read it")]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A file isn't what this program writes.
    #[error(
        "{path}: {what}; it was altered, or written by another version: the journal beside it is the truth, and `wattproof rebuild` writes the other files anew from it"
    )]
    Altered {
        /// The file.
        path: PathBuf,
        /// What is wrong with it, and where.
        what: String,
    },
    /// The journal can't be read.
    #[error("{0}")]
    Journal(#[from] JournalError),
    /// The journal does not tell what was run.
    #[error(
        "{path}: {what}; without it nothing can be told of the run: take the file from a copy, or a program of the version that wrote it"
    )]
    NotTold {
        /// The journal.
        path: PathBuf,
        /// What is wrong with it.
        what: String,
    },
    /// The ratings can't be read.
    #[error("{0}")]
    Ratings(#[from] RatingsError),
    /// A capture can't be read.
    #[error("{0}")]
    Capture(#[from] CaptureError),
    /// No step of this number, or none at all.
    #[error("run {run}: no step {step}; {there}")]
    NoStep {
        /// The run.
        run: String,
        /// The step asked for.
        step: String,
        /// Which there are.
        there: String,
    },
    /// The step's capture has no such channel.
    #[error("run {run}: step {step} has no channel {channel}; it has {there}")]
    NoChannel {
        /// The run.
        run: String,
        /// The step.
        step: u64,
        /// The channel asked for.
        channel: u32,
        /// Those that exist.
        there: String,
    },
    /// The numbers of runs are incomparable.
    #[error(
        "these runs are not comparable:{}\nask for them all the same (`--incomparable`; over HTTP `incomparable=true`), and the comparison says so wherever it is shown",
        reasons.iter().map(|reason| format!("\n  - {reason}")).collect::<String>()
    )]
    Incomparable {
        /// Why, a sentence each.
        reasons: Vec<String>,
    },
    /// The runs tell nothing that this figure shows.
    #[error("no such figure: {what}; leave it out, or compare runs that tell it")]
    NothingToDraw {
        /// Why.
        what: &'static str,
    },
    /// A table could not be put into CSV.
    #[error("table {table}: it could not be put into CSV: {source}; report this as a fault of the program")]
    Table {
        /// The table.
        table: String,
        /// Why.
        source: csv::Error,
    },
    /// A table could not be written.
    #[error("the table could not be put into CSV: {0}; report this as a fault of the program")]
    Csv(String),
    /// The template failed.
    #[error(
        "run {run}: the report could not be put together: {source}; report this as a fault of the program"
    )]
    Page {
        /// The run.
        run: String,
        /// Why.
        source: askama::Error,
    },
}

impl ReportError {
    /// Whether what was asked for is not there, rather than damaged.
    #[must_use]
    pub fn is_missing(&self) -> bool {
        match self {
            ReportError::Missing { .. }
            | ReportError::NoStep { .. }
            | ReportError::NoChannel { .. }
            | ReportError::NothingToDraw { .. } => true,
            ReportError::Folder(error) => matches!(error, RunError::NoRun { .. }),
            _ => false,
        }
    }
}
