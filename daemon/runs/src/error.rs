//! What can end a run.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};
use wattproof_bench::BenchError;

use crate::JournalError;
use crate::captures::CaptureError;
use crate::record::Divergence;
use crate::tables::TableError;

/// A script failed, with the place and the source line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScriptFault {
    /// The script's path.
    pub path: PathBuf,
    /// Line, from 1; 0 when unknown.
    pub line: usize,
    /// Column in characters, from 1; 0 when unknown.
    pub column: usize,
    /// The source line; of a long one the part around the fault.
    pub source_line: String,
    /// The column in that, from 1.
    pub caret: usize,
    /// What happened and what to do.
    pub message: String,
}

impl std::fmt::Display for ScriptFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "script {}", self.path.display())?;
        if self.line == 0 {
            return write!(f, ": {}", self.message);
        }
        write!(f, ":{}:{}: {}", self.line, self.column, self.message)?;
        let gutter = self.line.to_string().len();
        write!(f, "\n{:gutter$} |\n{} | {}\n{:gutter$} | ", "", self.line, self.source_line, "")?;
        write!(f, "{}^", " ".repeat(self.caret.saturating_sub(1)))
    }
}

/// Why a run could not start or did not finish.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The script failed.
    #[error("{0}")]
    Script(Box<ScriptFault>),
    /// The bench failed, tripped or was stopped.
    #[error("{0}")]
    Bench(#[from] BenchError),
    /// The record can't be written.
    #[error("{0}")]
    Journal(#[from] JournalError),
    /// A table can't be written.
    #[error("{0}")]
    Table(#[from] TableError),
    /// The run folder can't be made or written.
    #[error("run folder {path}: {source}; choose a folder that can be written, a new one with --out")]
    Folder {
        /// The folder or file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The script can't be read.
    #[error("script {path}: {source}; give the path of a script, those that ship are under scripts/")]
    ReadScript {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A parameter was set that the script does not have.
    #[error("script {path} has no parameter {name}{hint}; `wattproof check` lists them")]
    NoParameter {
        /// The script.
        path: PathBuf,
        /// The name that was set.
        name: String,
        /// The nearest right one, and all there are.
        hint: String,
    },
    /// A host call makes no sense where it stands.
    #[error("{0}")]
    Call(String),
    /// A capture contradicts what was commanded.
    #[error("{0}")]
    Implausible(String),
    /// The self-check found the bench wrong.
    #[error(
        "the self-check found the bench wrong, the run is not started:\n{0}\nmend it and start again; --without-selfcheck starts without looking"
    )]
    SelfCheck(String),
    /// The bench is wired for none of the ratings.
    #[error(
        "this bench, as it is wired, can serve no rating of the nameplate; nothing was switched on:\n{0}"
    )]
    NothingServed(String),
    /// The ceiling could not be found.
    #[error("no ceiling found: {0}")]
    NoCeiling(String),
    /// A capture can't be stored or read back.
    #[error("{0}")]
    Capture(#[from] CaptureError),
    /// The folder holds no run.
    #[error("{path}: there is no run's journal in it; name the folder of a run")]
    NoRun {
        /// The folder.
        path: PathBuf,
    },
    /// The journal does not tell what was run.
    #[error(
        "journal {path}: its first line does not tell what was run; the run can't be understood without it"
    )]
    NotOpened {
        /// The journal.
        path: PathBuf,
    },
    /// A run can't be resumed as asked.
    #[error("this run can't be resumed: {0}")]
    NotResumable(String),
    /// The script does something else than the journal says it did.
    #[error("{0}")]
    Diverged(Divergence),
    /// A run that is answered from its journal alone has come to the journal's end.
    #[error("the journal ends here")]
    JournalEnds,
    /// The process that runs the script failed.
    #[error("the script's process failed: {0}")]
    Worker(String),
}

impl RunError {
    /// Whether the same call may come out differently when it is made again: the bench, the disk or the amplifier made
    /// it fail, not the script.
    pub fn may_pass_again(&self) -> bool {
        match self {
            RunError::Bench(_)
            | RunError::Journal(_)
            | RunError::Table(_)
            | RunError::Capture(_)
            | RunError::Folder { .. }
            | RunError::Implausible(_)
            | RunError::SelfCheck(_)
            | RunError::Worker(_)
            | RunError::JournalEnds => true,
            RunError::Script(_)
            | RunError::ReadScript { .. }
            | RunError::NoParameter { .. }
            | RunError::Call(_)
            | RunError::NoCeiling(_)
            | RunError::NothingServed(_)
            | RunError::NoRun { .. }
            | RunError::NotOpened { .. }
            | RunError::NotResumable(_)
            | RunError::Diverged(_) => false,
        }
    }
}
