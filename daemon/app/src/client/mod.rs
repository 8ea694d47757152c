//! The command line as the daemon's client: asks over the socket that only this user can open, and listens to events.
//!
//! In come what a command wants to know or have done; out go the daemon's answers, its refusals in its own words with
//! what to do next, and events as they happen. Called by the commands beside this room; it knows no bench, no port and
//! no folder of runs. Nothing here waits without a limit: a daemon that hangs must not keep a person from a stop.

mod ask_error;
mod event_lines;
mod follow;
mod holds;
mod reset;
mod shown;
mod socket;
mod status;
mod submit;
mod which;

pub use ask_error::AskError;
pub use follow::follow;
pub use holds::moment;
pub use reset::reset_through_daemon;
pub use shown::hold_words;
pub use socket::{QUICK, Socket};
pub use status::Status;
pub use submit::{FileAsked, JobAsked, ThroughDaemon, run_through_daemon};
pub use which::{bench_file_of, which};

use std::path::PathBuf;

use clap::Args;

use crate::descriptors::enough_descriptors;
use crate::failure::Failure;
use crate::state_folder::all_state;

/// Which daemon is asked.
#[derive(Args)]
pub struct WhichDaemon {
    /// Folder in which the daemon keeps its state [default: the user's own for state]
    #[arg(long, value_name = "DIR", env = "WATTPROOF_STATE", global = true)]
    pub state: Option<PathBuf>,
}

impl WhichDaemon {
    /// Its socket.
    pub fn socket(&self) -> Result<Socket, Failure> {
        let state = all_state(self.state.as_deref());
        state.map(|state| Socket::of(&state)).ok_or_else(|| {
            Failure::Said(
                "there is no folder in which a daemon's socket could be: name one with --state".into(),
            )
        })
    }
}

/// Runs a client's work to its end on this thread.
pub fn block_on<T>(work: impl Future<Output = T>) -> Result<T, Failure> {
    // Without them the runtime would end in a panic.
    enough_descriptors()?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|source| Failure::System { what: "starting the runtime", source })?;
    Ok(runtime.block_on(work))
}
