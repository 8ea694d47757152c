//! A script without a bench: parameters are their defaults, every other call is answered by nothing. Shows whether the script keeps within its bounds.

use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use serde_json::Value;

use super::call::{Call, CallRefused, Caller, Script};
use super::{Asked, engine, here};
use crate::RunError;

/// Answers with defaults or nothing, and is over after so many operations of the script.
struct Nobody {
    left: AtomicU64,
    asked: Mutex<Asked>,
}

impl Caller for Nobody {
    fn call(&self, call: &Call) -> Result<Value, CallRefused> {
        let mut asked = self.asked.lock().unwrap_or_else(PoisonError::into_inner);
        if call.name == "param" {
            return asked.answer(call).map_err(|message| CallRefused { message, over: false });
        }
        asked.bench_asked(call);
        Ok(Value::Null)
    }

    fn print(&self, _: &str) -> Result<(), CallRefused> {
        Ok(())
    }

    fn is_over(&self) -> bool {
        // Asked between any two operations, by the script's thread alone.
        let left = self.left.load(Ordering::Relaxed);
        self.left.store(left.saturating_sub(1), Ordering::Relaxed);
        left == 0
    }
}

/// Performs a script whose calls answer `()`, but its parameters, for at most so many operations. Nothing leaves the script, so nothing
/// can be energised by it.
///
/// # Errors
/// [`RunError::Script`] is how it ended before its last line; [`RunError::Worker`] when it could not be performed.
pub fn rehearse_script(path: &Path, source: &str, operations_max: u64) -> Result<(), RunError> {
    let script = Script { path: path.into(), source: source.into() };
    let caller: Arc<dyn Caller> =
        Arc::new(Nobody { left: AtomicU64::new(operations_max), asked: Mutex::default() });
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
        let half = "let v = param(\"low_v\", #{ value: 3, min: 1, max: 4 }); if v / 2 != 1.5 { throw v }";
        assert!(rehearse(half).is_ok());
    }
}
