//! A script without a bench: every call is answered by nothing. Shows whether the script keeps within its bounds.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use serde_json::Value;

use super::call::{Call, CallRefused, Caller, Script};
use super::printing::Printed;
use super::{engine, here};
use crate::RunError;

/// Answers nothing, and is over after so many operations of the script.
struct Nobody {
    left: AtomicU64,
}

impl Caller for Nobody {
    fn call(&self, _: &Call) -> Result<Value, CallRefused> {
        Ok(Value::Null)
    }

    fn print(&self, _: &Printed) -> Result<(), CallRefused> {
        Ok(())
    }

    fn is_over(&self) -> bool {
        // Asked between any two operations, by the script's thread alone.
        let left = self.left.load(Ordering::Relaxed);
        self.left.store(left.saturating_sub(1), Ordering::Relaxed);
        left == 0
    }
}

/// Performs a script whose calls all answer `()`, for at most so many operations. Nothing leaves the script, so nothing
/// can be energised by it.
///
/// # Errors
/// [`RunError::Script`] is how it ended before its last line; [`RunError::Worker`] when it could not be performed.
pub fn rehearse_script(path: &Path, source: &str, operations_max: u64) -> Result<(), RunError> {
    let script = Script { path: path.into(), source: source.into() };
    let caller: Arc<dyn Caller> = Arc::new(Nobody { left: AtomicU64::new(operations_max) });
    here::on_own_thread(|| engine::perform(&script, &caller))?.map_err(RunError::Script)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_script_ends_by_itself_or_is_ended() {
        let rehearse = |source| rehearse_script(Path::new("test.rhai"), source, 10_000);
        assert!(rehearse("let r = find_ceiling(1); if r != () { throw 1 }").is_ok());
        let ended = rehearse("let n = 0;\nloop { n += 1; }").unwrap_err().to_string();
        assert!(ended.contains("test.rhai:2") && ended.contains("the run is over"), "{ended}");
        assert!(rehearse("let a = (").is_err());
    }
}
