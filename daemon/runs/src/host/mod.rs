//! The script host: Rhai with bounded operations, depth and sizes, stoppable at any instant, and a handful of
//! functions that are the only way from a script to the bench.

mod arguments;
mod drives;
mod fault;
mod functions;

use std::path::Path;
use std::sync::Arc;

use parking::SharedStage;
use rhai::{AST, Dynamic, Engine};
use wattproof_bench::Stopper;

use crate::{RunError, ScriptFault};

mod parking;
pub use parking::{lock, park};

/// Most operations of one script. Host calls take the time of a run, operations only that of its arithmetic.
const OPERATIONS_MAX: u64 = 20_000_000;
/// Deepest nesting of function calls; deeper ones could exhaust the thread's stack.
const CALLS_MAX: usize = 32;

fn engine() -> Engine {
    let mut engine = Engine::new();
    engine
        .set_max_operations(OPERATIONS_MAX)
        .set_max_call_levels(CALLS_MAX)
        .set_max_expr_depths(64, 32)
        .set_max_string_size(64 * 1024)
        .set_max_array_size(100_000)
        .set_max_map_size(10_000)
        .set_max_modules(0)
        .set_max_functions(256)
        .set_max_variables(1_000);
    engine.disable_symbol("eval");
    engine.set_module_resolver(rhai::module_resolvers::DummyModuleResolver::new());
    engine
}

fn compile(engine: &Engine, path: &Path, source: &str) -> Result<AST, RunError> {
    engine.compile(source).map_err(|error| {
        let fault = fault::from_position(path, source, error.position(), error.err_type().to_string());
        RunError::Script(Box::new(fault))
    })
}

/// Parses a script and reports its first error with place and source line.
///
/// # Errors
/// [`RunError::ReadScript`], [`RunError::Script`].
pub fn check_script(path: &Path) -> Result<(), RunError> {
    let source = read(path)?;
    compile(&engine(), path, &source).map(|_| ())
}

/// Reads a script's text.
///
/// # Errors
/// [`RunError::ReadScript`].
pub fn read(path: &Path) -> Result<String, RunError> {
    std::fs::read_to_string(path).map_err(|source| RunError::ReadScript { path: path.into(), source })
}

/// Runs a script on a stage, on the calling thread, until it ends, fails or is stopped.
pub fn perform(path: &Path, source: &str, stage: &SharedStage, stopper: Stopper) -> Result<(), RunError> {
    let mut engine = engine();
    functions::register(&mut engine, stage);
    let watch = stopper.clone();
    engine.on_progress(move |_| watch.is_stopped().then(|| Dynamic::from("stopped")));
    let printed = Arc::clone(stage);
    engine.on_print(move |text| functions::printed(&printed, text));
    let debugged = Arc::clone(stage);
    engine.on_debug(move |text, _, position| functions::printed(&debugged, &format!("{position:?} {text}")));
    let ast = compile(&engine, path, source)?;
    engine.run_ast(&ast).map_err(|error| {
        // The bench's own error says more than the script error that carries it.
        match parking::take_failure(stage) {
            Some(cause @ (RunError::Bench(_) | RunError::Journal(_) | RunError::Table(_))) => cause,
            Some(cause) => script_error(path, source, &error, cause.to_string()),
            None => script_error(path, source, &error, fault::message(&error)),
        }
    })
}

fn script_error(path: &Path, source: &str, error: &rhai::EvalAltResult, message: String) -> RunError {
    let fault: ScriptFault = fault::from_position(path, source, fault::innermost(error), message);
    RunError::Script(Box::new(fault))
}
