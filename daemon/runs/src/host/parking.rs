//! The stage shared with the script's functions, and the first failure of a host call.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::RunError;
use crate::stage::Stage;

/// A stage and what went wrong on it.
pub struct Parked {
    /// The stage.
    pub stage: Stage,
    failure: Option<RunError>,
}

/// A stage that several script functions share.
pub type SharedStage = Arc<Mutex<Parked>>;

/// Shares a stage.
pub fn park(stage: Stage) -> SharedStage {
    Arc::new(Mutex::new(Parked { stage, failure: None }))
}

/// The stage, even after a panic elsewhere: the safe state must still be reachable.
pub fn lock(shared: &SharedStage) -> MutexGuard<'_, Parked> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Keeps the failure of a host call so that its kind survives the way through the script.
pub fn keep_failure(shared: &SharedStage, error: RunError) -> String {
    let text = error.to_string();
    lock(shared).failure.get_or_insert(error);
    text
}

/// The failure kept, if any.
pub fn take_failure(shared: &SharedStage) -> Option<RunError> {
    lock(shared).failure.take()
}
