//! Descriptors that a run needs, looked at before anything is opened: what runs out of them half-way leaves more to be
//! cleared up, and the runtime below ends in a panic without.

use rustix::process::{Resource, getrlimit, setrlimit};

use crate::failure::Failure;

/// Most descriptors that a run has open at once, and as many again: two for each port, those of the guardian, the
/// script's process, the runtime and the record.
const NEEDED: u64 = 64;

/// Sees that this process may open as many as a run needs; raises its own limit where it may.
///
/// # Errors
/// The limit is too low and can't be raised.
pub fn enough_descriptors() -> Result<(), Failure> {
    let limit = getrlimit(Resource::Nofile);
    if limit.current.is_none_or(|most| most >= NEEDED) {
        return Ok(());
    }
    let mut raised = limit;
    raised.current = limit.maximum.map_or(Some(NEEDED), |most| Some(most.min(NEEDED)));
    let done = setrlimit(Resource::Nofile, raised);
    let allowed = getrlimit(Resource::Nofile).current.unwrap_or(u64::MAX);
    if done.is_ok() && allowed >= NEEDED {
        return Ok(());
    }
    Err(Failure::Said(format!(
        "this process may open {allowed} descriptors and a run needs {NEEDED}: raise the limit (`ulimit -n {NEEDED}`, or LimitNOFILE of the service); nothing was opened or switched"
    )))
}
