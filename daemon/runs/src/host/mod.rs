//! The script host. A script's side (`engine`, `worker`) knows nothing but calls; the daemon's side (`answering`,
//! `functions`) carries them out on the stage. Between them lie only values, so that both can be different processes.

mod answering;
mod api;
mod arguments;
mod arithmetic;
mod call;
mod child;
mod convert;
mod drives;
mod engine;
mod facts;
mod fault;
mod findings;
mod functions;
mod here;
mod layout;
mod nearest;
mod parameters;
mod printing;
mod reached;
mod rehearse;
mod slips;
mod typed;
mod units;
mod wire;
mod worker;

pub use answering::Host;
pub use api::{all_usages, definitions, examples, reference};
pub use arithmetic::register as register_arithmetic;
pub use call::Script;
pub use child::{WorkerProgram, perform_in_child};
pub use convert::{from_json, to_json};
pub use fault::of as script_fault;
pub use here::perform_here;
pub use layout::Layout;
pub use parameters::{Asked, Limits, Parameter, ParameterKind, ParameterValue, Set, parameters_of, set_of};
pub use reached::LinesReached;
pub use rehearse::rehearse_script;
pub use worker::work;

use std::path::Path;
use std::sync::Arc;

use crate::{RunError, ScriptFault};

/// Tells whether a person stopped the run.
#[derive(Clone)]
pub struct Stopping(Arc<dyn Fn() -> bool + Send + Sync>);

impl Stopping {
    /// By asking `is_stopped`.
    pub fn by(is_stopped: impl Fn() -> bool + Send + Sync + 'static) -> Self {
        Stopping(Arc::new(is_stopped))
    }

    /// Nobody can stop it.
    pub fn never() -> Self {
        Self::by(|| false)
    }

    /// Whether a person stopped the run.
    pub fn is_stopped(&self) -> bool {
        (self.0)()
    }
}

/// Checks a script without running it; gives how it is laid out.
///
/// # Errors
/// [`RunError::Script`] with file, line and column.
pub fn check_source(script: &Script) -> Result<Layout, RunError> {
    engine::parse(script).map_err(RunError::Script)
}

/// Reads a script's text.
///
/// # Errors
/// [`RunError::ReadScript`].
pub fn read(path: &Path) -> Result<String, RunError> {
    wattproof_texts::read_text(path).map_err(|source| RunError::ReadScript { path: path.into(), source })
}

/// How a script went: a failed call's own error says more than the script error that carries it.
fn outcome(host: &mut Host, performed: Result<(), Box<ScriptFault>>) -> Result<(), RunError> {
    let failure = host.take_failure();
    match (performed, failure) {
        (Ok(()), Some(error)) if host.is_over() => Err(error),
        (Ok(()), _) => Ok(()),
        (Err(fault), Some(error)) => Err(match error {
            RunError::Call(_) | RunError::NoCeiling(_) | RunError::Implausible(_) => RunError::Script(fault),
            other => {
                host.stood = Some(fault);
                other
            }
        }),
        (Err(fault), None) => Err(RunError::Script(fault)),
    }
}
