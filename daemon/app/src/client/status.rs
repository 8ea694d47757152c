//! Where everything stands, as the daemon tells it.

use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use wattproof_serve::{Bench, Job};

use super::ask_error::AskError;
use super::socket::Socket;
use crate::failure::Failure;
use crate::state_folder::folder_name;

/// Where everything stands.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Status {
    /// Version of the daemon.
    pub version: String,
    /// The name of this start of it.
    pub boot: String,
    /// The last event.
    pub last_event: String,
    /// Its clock.
    pub now_utc: DateTime<Utc>,
    /// Folder of all runs.
    pub results: PathBuf,
    /// Every bench.
    pub benches: Vec<Bench>,
    /// Every job: those that have not ended in their order, then the others, newest first.
    pub jobs: Vec<Job>,
}

impl Status {
    /// Asks for it.
    ///
    /// # Errors
    /// [`AskError`].
    pub async fn ask(socket: &Socket) -> Result<Self, AskError> {
        socket.get("/status").await
    }

    /// The daemon's bench of that name and file; or why there is none.
    ///
    /// # Errors
    /// The file is not there.
    pub fn holding(&self, name: &str, file: &Path) -> Result<Result<&Bench, String>, Failure> {
        let Some(held) = self.benches.iter().find(|held| held.bench == folder_name(name)) else {
            return Ok(Err(format!("the daemon that answers holds no bench {name:?}")));
        };
        let file = file.canonicalize().map_err(|source| Failure::File { path: file.into(), source })?;
        if Path::new(&held.file) != file {
            return Ok(Err(format!(
                "the daemon's bench {name:?} is that of {}, not of {}",
                held.file,
                file.display()
            )));
        }
        Ok(Ok(held))
    }

    /// A job.
    pub fn job(&self, job: u64) -> Option<&Job> {
        self.jobs.iter().find(|one| one.job == job)
    }
}
