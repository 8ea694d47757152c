//! The parameters of a script without a bench: it is performed up to the first call that asks for one.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use serde_json::Value;

use super::super::call::{Call, CallRefused, Caller, Script};
use super::super::engine::{self, Bounds};
use super::super::here::on_own_thread;
use super::super::nearest::perhaps;
use super::{Asked, Parameter, Set};
use crate::RunError;

/// Answers `param()`; whatever else is called ends the script.
struct Listing {
    asked: Mutex<Asked>,
    over: AtomicBool,
}

impl Caller for Listing {
    fn call(&self, call: &Call) -> Result<Value, CallRefused> {
        if call.name != "param" {
            self.over.store(true, Ordering::Release);
            return Err(CallRefused { message: "the parameters are complete".into(), over: true });
        }
        let mut asked = self.asked.lock().unwrap_or_else(PoisonError::into_inner);
        asked.answer(call).map_err(|message| CallRefused { message, over: false })
    }

    fn print(&self, _: &str) -> Result<(), CallRefused> {
        Ok(())
    }

    fn is_over(&self) -> bool {
        self.over.load(Ordering::Acquire)
    }
}

/// The parameters of a script, in its order, each with its default or what was set in its place. The script is
/// performed up to its first call that asks for bench or nameplate; nothing can be energised by that.
///
/// # Errors
/// [`RunError::Script`] with file and line: a script that does not parse, a declaration that makes no sense, a value set
/// that is outside its limits; [`RunError::NoParameter`] for a name set that the script does not have.
pub fn parameters_of(script: &Script, set: &Set) -> Result<Vec<Parameter>, RunError> {
    let layout = engine::parse(script).map_err(RunError::Script)?;
    if !layout.has_parameters {
        no_other(script, set, &[])?;
        return Ok(Vec::new());
    }
    let listing =
        Arc::new(Listing { asked: Mutex::new(Asked::new(set.clone())), over: AtomicBool::new(false) });
    let caller: Arc<dyn Caller> = Arc::clone(&listing) as Arc<dyn Caller>;
    let performed = on_own_thread(|| engine::perform_within(script, &caller, Bounds::LISTING))?;
    match performed {
        Err(fault) if !listing.is_over() => return Err(RunError::Script(fault)),
        _ => {}
    }
    let asked = listing.asked.lock().unwrap_or_else(PoisonError::into_inner).clone();
    let parameters = asked.declared();
    no_other(script, set, &parameters)?;
    Ok(parameters)
}

/// Refuses a name that was set and that no parameter has.
fn no_other(script: &Script, set: &Set, parameters: &[Parameter]) -> Result<(), RunError> {
    let names: Vec<&str> = parameters.iter().map(|parameter| parameter.name.as_str()).collect();
    let Some(wrong) = set.keys().find(|name| !names.contains(&name.as_str())) else { return Ok(()) };
    let there_are =
        if names.is_empty() { "it has none".into() } else { format!("it has {}", names.join(", ")) };
    Err(RunError::NoParameter {
        path: script.path.clone(),
        name: wrong.clone(),
        hint: format!("{}; {there_are}", perhaps(wrong, names.iter().copied())),
    })
}
