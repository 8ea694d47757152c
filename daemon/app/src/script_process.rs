//! This program as the process that performs a script: started by the daemon, bounded by the kernel.

use wattproof_runs::{ScriptIn, WorkerProgram, work_for_daemon};

use crate::failure::Failure;

/// The hidden word that makes this program a script's process.
pub const PERFORM_SCRIPT: &str = "perform-script";

/// Performs the script that comes in on standard input.
pub fn perform_script() -> Result<(), Failure> {
    work_for_daemon(Box::new(std::io::stdin()), Box::new(std::io::stdout()))
        .map_err(|source| Failure::System { what: "performing the script", source })
}

/// Scripts are performed by this program, started again.
pub fn in_own_process() -> Result<ScriptIn, Failure> {
    let path = std::env::current_exe()
        .map_err(|source| Failure::System { what: "finding this program's own file", source })?;
    Ok(ScriptIn::Child(WorkerProgram { path, arguments: vec![PERFORM_SCRIPT.into()] }))
}
