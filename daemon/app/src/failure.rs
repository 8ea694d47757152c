//! How a command ends when it does not end well: what is said, and the exit code.

use std::path::PathBuf;
use std::process::ExitCode;

use wattproof_bench::{BenchError, BenchFileError};
use wattproof_method::intake::Outcome;
use wattproof_recordings::RecordingError;
use wattproof_report::ReportError;
use wattproof_runs::{NameplateError, RatingsError, RunError};
use wattproof_virtual_bench::faults::FaultFileError;
use wattproof_virtual_bench::{MannerError, ServeError, SpecError};

/// How a run's exit code tells what came out, whichever process performed it.
pub const EXIT_CODES: &str = "Exit codes: 0 finished, and every rating that was judged is met; 10 finished, a rating is short; \
    11 finished, none is short and one is undecided; 1 failed, with everything off; 2 wrong usage; 3 an output may be \
    live: go and look; 4 the self-check found the bench wired wrong, and everything is off; 130 stopped by a person.";

/// Why a command failed.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The bench file can't be used.
    #[error("{0}")]
    BenchFile(#[from] BenchFileError),
    /// The bench file is not that of the bench which the daemon holds.
    #[error("{0}")]
    OtherBench(String),
    /// The nameplate can't be used.
    #[error("{0}")]
    Nameplate(#[from] NameplateError),
    /// The bench can't be opened.
    #[error("{0}")]
    Bench(#[from] BenchError),
    /// The run failed.
    #[error("{0}")]
    Run(#[from] RunError),
    /// A run's ratings can't be told.
    #[error("{0}")]
    Ratings(#[from] RatingsError),
    /// A recorded run can't be told.
    #[error("{0}")]
    Report(#[from] ReportError),
    /// The catalogue can't be used.
    #[error("{0}")]
    Catalogue(#[from] wattproof_catalogue::Error),
    /// The virtual bench can't be started.
    #[error("{0}")]
    Serve(#[from] ServeError),
    /// The fault file can't be used.
    #[error("{0}")]
    Faults(#[from] FaultFileError),
    /// No such manner, or its file is wrong.
    #[error("{0}")]
    Manner(#[from] MannerError),
    /// No such virtual amplifier, or its file is wrong.
    #[error("{0}")]
    Amplifier(#[from] SpecError),
    /// A recording can't be used.
    #[error("{path}: {source}")]
    Recording {
        /// The file.
        path: PathBuf,
        /// Why.
        source: RecordingError,
    },
    /// A file can't be written or read.
    #[error("{path}: {source}; choose a path that can be written and read")]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The operating system refused something.
    #[error("{what}: {source}; try again")]
    System {
        /// What was tried.
        what: &'static str,
        /// Why.
        source: std::io::Error,
    },
    /// Standard output was closed by its reader.
    #[error("nobody reads standard output any more")]
    NobodyReads,
    /// Anything else, already in full words.
    #[error("{0}")]
    Said(String),
    /// The self-check found the bench wrong; everything is off.
    #[error("{0}")]
    WrongBench(String),
    /// A person stopped it.
    #[error("stopped; every output was switched off and the record is complete up to the last finished step")]
    Stopped,
    /// Finished; a rating is not met.
    #[error("finished: a rating is short, so the amplifier does not reach what its nameplate claims")]
    Short,
    /// Finished; none is short, and one can't be told.
    #[error("finished: a rating is undecided, so the uncertainty does not let its verdict be told")]
    Undecided,
    /// What an intake came to, where that is not well.
    #[error("the unit is {0}")]
    Intake(Outcome),
    /// A person took it off the queue before it began.
    #[error("nothing was run: the job was taken off the queue before it began")]
    Cancelled,
    /// A person no longer follows it.
    #[error("no longer followed")]
    Left,
    /// Nobody knows how the outputs stand.
    #[error("{0}")]
    Unknown(String),
    /// Outputs could not be confirmed off.
    #[error("ALARM: an output was not confirmed off: go and switch it off by hand, at its mains")]
    NotSafe,
}

impl Failure {
    /// Whether a person stopped it.
    pub fn is_stop(&self) -> bool {
        let of_bench = |error: &BenchError| matches!(error, BenchError::Stopped(_));
        match self {
            Failure::Stopped => true,
            Failure::Bench(error) | Failure::Run(RunError::Bench(error)) => of_bench(error),
            _ => false,
        }
    }

    /// 10 a rating is short, 11 one is undecided, 1 failed, 3 an output may be live, 4 the bench is wired wrong, 12
    /// runs are not comparable, 130 stopped by a person.
    pub fn exit_code(&self) -> ExitCode {
        match self {
            Failure::NobodyReads => ExitCode::SUCCESS,
            Failure::NotSafe | Failure::Unknown(_) => ExitCode::from(3),
            Failure::Short | Failure::Intake(Outcome::Faulty) => ExitCode::from(10),
            Failure::Undecided | Failure::Intake(Outcome::Undecided) => ExitCode::from(11),
            Failure::WrongBench(_) => ExitCode::from(4),
            Failure::Report(ReportError::Incomparable { .. }) => ExitCode::from(12),
            Failure::Cancelled | Failure::Left => ExitCode::from(130),
            stopped if stopped.is_stop() => ExitCode::from(130),
            _ => ExitCode::FAILURE,
        }
    }
}
