//! How a command ends when it does not end well: what is said, and the exit code.

use std::path::PathBuf;
use std::process::ExitCode;

use wattproof_bench::{BenchError, BenchFileError};
use wattproof_recordings::RecordingError;
use wattproof_report::ReportError;
use wattproof_runs::{NameplateError, RatingsError, RunError};
use wattproof_virtual_bench::faults::FaultFileError;
use wattproof_virtual_bench::{MannerError, ServeError, SpecError};

/// Why a command failed.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The bench file can't be used.
    #[error("{0}")]
    BenchFile(#[from] BenchFileError),
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

    /// 1 failed, 3 an output may be live, 4 the bench is wired wrong, 130 stopped by a person.
    pub fn exit_code(&self) -> ExitCode {
        match self {
            Failure::NobodyReads => ExitCode::SUCCESS,
            Failure::NotSafe => ExitCode::from(3),
            Failure::WrongBench(_) => ExitCode::from(4),
            stopped if stopped.is_stop() => ExitCode::from(130),
            _ => ExitCode::FAILURE,
        }
    }
}
