//! The child's process: out of reach of the terminal's signals, last to be killed for memory, holding nothing that
//! it does not need.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use rustix::mm::{MlockAllFlags, mlockall};
use rustix::process::{setpriority_process, setsid};
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

use crate::precedence::{Precedence, go_ahead};
use crate::wire::Notes;
use crate::{Ended, GuardianError, serve};

/// Where the kernel keeps how readily it kills this process for memory; -1000 is never (proc(5)).
const OOM: &str = "/proc/self/oom_score_adj";
/// Precedence of this process's session among sessions (sched(7)).
const AUTOGROUP: &str = "/proc/self/autogroup";
/// Ahead of everything that has no real-time schedule.
const PRIORITY: i32 = -20;

/// Turns this process into a guardian over whoever holds the other end of its standard input, until that one is gone
/// or says goodbye. The other descriptors it was started with are closed or lead nowhere.
///
/// # Errors
/// [`GuardianError`] before the watch begins.
pub fn become_guardian() -> Result<Ended, GuardianError> {
    // Fails where the process leads a group already, which is as good.
    let _session = setsid();
    for signal in [SIGINT, SIGHUP, SIGTERM] {
        // Caught and forgotten: ending is for the daemon's goodbye or its death to decide.
        signal_hook::flag::register(signal, Arc::new(AtomicBool::new(false)))
            .map_err(|source| GuardianError::System { doing: "ignoring signals", source })?;
    }
    let _name = rustix::thread::set_name(c"guardian");
    // A working directory of its own keeps no file system from being unmounted.
    let _root = std::env::set_current_dir("/");
    // Going on without what is refused here is better than not watching. Precedence belongs to a thread and is
    // inherited by those it starts, so it comes first; where the kernel groups sessions, to the session too.
    let no_real_time = go_ahead(Precedence::Guardian).is_err();
    let no_precedence = no_real_time && setpriority_process(None, PRIORITY).is_err();
    let _session_too = std::fs::write(AUTOGROUP, PRIORITY.to_string());
    serve(rustix::stdio::stdin(), || Notes {
        may_be_killed_for_memory: std::fs::write(OOM, "-1000").is_err(),
        no_precedence,
        no_real_time,
        // Everything it will ever touch, fetched and kept: no page is waited for when it fires.
        may_be_swapped: mlockall(MlockAllFlags::CURRENT).is_err(),
    })
}
