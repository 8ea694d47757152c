//! A script in the daemon's own process, on a thread: for rehearsals, replays and simulations. Runs that can energise
//! a bench have a process of their own for it.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use serde_json::Value;

use super::answering::Host;
use super::call::{Call, CallRefused, Caller, Script};
use super::engine::Bounds;
use super::printing::Printed;
use super::{LinesReached, Stopping, engine, outcome};
use crate::RunError;

/// Stack of the script's thread: the engine recurses on it, and lists may nest as deeply as the engine lets them be long.
/// What is not used takes addresses alone.
const STACK_BYTES: usize = 256 << 20;

struct Here {
    host: Mutex<Host>,
    stopping: Stopping,
    over: AtomicBool,
}

impl Here {
    fn host(&self) -> MutexGuard<'_, Host> {
        self.host.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Caller for Here {
    fn call(&self, call: &Call) -> Result<Value, CallRefused> {
        let mut host = self.host();
        let answered = host.answer(call);
        self.over.store(host.is_over(), Ordering::Release);
        answered
    }

    fn print(&self, printed: &Printed) -> Result<(), CallRefused> {
        let mut host = self.host();
        let printed = host.print(printed);
        self.over.store(host.is_over(), Ordering::Release);
        printed
    }

    fn is_over(&self) -> bool {
        self.over.load(Ordering::Acquire) || self.stopping.is_stopped()
    }
}

/// Runs a script against a host; gives the host back with how it went.
pub fn perform_here(
    script: &Script,
    host: Host,
    stopping: Stopping,
    lines: Option<&Arc<LinesReached>>,
) -> (Host, Result<(), RunError>) {
    let here = Arc::new(Here { host: Mutex::new(host), stopping, over: AtomicBool::new(false) });
    let caller: Arc<dyn Caller> = Arc::clone(&here) as Arc<dyn Caller>;
    let performed = on_own_thread(|| engine::perform_within(script, &caller, Bounds::RUN, lines));
    drop(caller);
    let Ok(here) = Arc::try_unwrap(here) else {
        unreachable!("the engine that held the caller is gone with its thread");
    };
    let mut host = here.host.into_inner().unwrap_or_else(PoisonError::into_inner);
    let outcome = performed.and_then(|performed| outcome(&mut host, performed));
    (host, outcome)
}

/// Does something on a thread with stack enough for a script.
pub fn on_own_thread<T: Send>(perform: impl FnOnce() -> T + Send) -> Result<T, RunError> {
    std::thread::scope(|scope| {
        let builder = std::thread::Builder::new().name("script".into()).stack_size(STACK_BYTES);
        match builder.spawn_scoped(scope, perform) {
            Ok(thread) => thread
                .join()
                .map_err(|_| RunError::Worker("the script's thread panicked; please report it".into())),
            Err(error) => Err(RunError::Worker(format!("no thread for the script: {error}"))),
        }
    })
}

#[cfg(test)]
mod tests {
    use rhai::{Array, Dynamic, Engine, Scope};

    /// A script that nests a list in a list without end must not end the program: `let a = []; loop { a = [a]; }`.
    #[test]
    fn lists_nested_as_deeply_as_they_may_be_long_fit_on_the_stack() {
        let run = || {
            let nested = (0..99_990).fold(Array::new(), |inner, _| vec![inner.into()]);
            let mut engine = Engine::new();
            engine.set_max_array_size(100_000);
            let mut scope = Scope::new();
            scope.push_dynamic("a", Dynamic::from_array(nested));
            engine.run_with_scope(&mut scope, "let b = [a]; let c = b; b = [c]; c.push(1);").is_ok()
        };
        assert!(super::on_own_thread(run).unwrap());
    }
}
