//! Where everything stands, as the daemon tells it.

use std::path::PathBuf;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use wattproof_serve::{Bench, Job};

use super::ask_error::AskError;
use super::socket::Socket;

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

    /// A bench by its identity, its name or its bench file.
    pub fn bench(&self, named: &str) -> Option<&Bench> {
        let file = std::path::Path::new(named).canonicalize().ok();
        let file = file.map(|file| file.display().to_string());
        let is = |bench: &&Bench| {
            bench.bench == named || bench.name == named || Some(&bench.file) == file.as_ref()
        };
        self.benches.iter().find(is)
    }

    /// A job.
    pub fn job(&self, job: u64) -> Option<&Job> {
        self.jobs.iter().find(|one| one.job == job)
    }
}
