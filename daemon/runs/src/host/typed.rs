//! A script that a person types line by line: each piece is performed as it comes, with the variables and functions of those
//! before it. What was typed comes as the answer of a call, so that it is in the record and a typed run can be computed again.

use std::path::PathBuf;
use std::sync::Arc;

use rhai::{AST, Dynamic, Engine, EvalAltResult, Scope};
use serde_json::Value;

use super::call::{Call, CallRefused, Caller, Script};
use super::fault;
use super::printing::Printed;
use super::slips::unparsed;
use crate::ScriptFault;

/// What stands for the path of a typed script, in messages and in the record.
pub const TYPED: &str = "typed";
/// The call that asks for what is typed next; no script can make it.
pub const NEXT_TYPED: &str = "next_typed";

impl Script {
    /// One that a person will type.
    #[must_use]
    pub fn typed() -> Self {
        Script { path: PathBuf::from(TYPED), source: String::new() }
    }

    /// Whether it is one.
    #[must_use]
    pub fn is_typed(&self) -> bool {
        self.source.is_empty() && self.path.as_os_str() == TYPED
    }
}

/// Performs what is typed until nothing more comes, or the run is over. A piece that fails is told, and the next one asked
/// for: a slip of the pen ends no session.
///
/// # Errors
/// The fault that ended it.
pub fn perform_typed(engine: &Engine, caller: &Arc<dyn Caller>) -> Result<(), Box<ScriptFault>> {
    let (mut scope, mut own) = (Scope::new(), AST::empty());
    let mut number = 0;
    loop {
        number += 1;
        let call = Call { name: NEXT_TYPED.into(), arguments: Vec::new(), line: number };
        let text = match caller.call(&call) {
            Ok(Value::String(text)) => text,
            Ok(_) => return Ok(()),
            Err(CallRefused { message, .. }) => return Err(over(message)),
        };
        let script = Script { path: PathBuf::from(TYPED), source: text };
        let parsed = engine.compile_with_scope(&scope, &script.source);
        let ast = match parsed {
            Ok(ast) => own.merge(&ast),
            Err(error) => {
                let what = unparsed(error.err_type(), &script.source);
                let fault = fault::from_position(&script.path, &script.source, error.position(), what);
                say(caller, number, &fault.to_string());
                continue;
            }
        };
        match engine.eval_ast_with_scope::<Dynamic>(&mut scope, &ast) {
            Ok(value) if value.is_unit() => {}
            Ok(value) => say(caller, number, &value.to_string()),
            Err(error) => {
                let fault = Box::new(fault::of(&script, engine, &ast, &error));
                if caller.is_over() || matches!(*error, EvalAltResult::ErrorTerminated(..)) {
                    return Err(fault);
                }
                say(caller, number, &fault.to_string());
            }
        }
        own = ast.clone_functions_only();
    }
}

fn say(caller: &Arc<dyn Caller>, line: usize, text: &str) {
    // One that prints too much is ended at its next call.
    drop(caller.print(&Printed { text: text.into(), line }));
}

fn over(message: String) -> Box<ScriptFault> {
    let (source_line, path) = (String::new(), PathBuf::from(TYPED));
    Box::new(ScriptFault { path, line: 0, column: 0, source_line, caret: 0, message })
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;
    use std::sync::Mutex;

    use super::*;
    use crate::host::engine::perform;

    /// Types lines and remembers what is printed.
    struct Typing(Mutex<VecDeque<&'static str>>, Mutex<Vec<String>>);

    impl Caller for Typing {
        fn call(&self, call: &Call) -> Result<Value, CallRefused> {
            match call.name.as_str() {
                NEXT_TYPED => Ok(self.0.lock().unwrap().pop_front().map_or(Value::Null, Value::from)),
                _ => Ok(41.into()),
            }
        }
        fn print(&self, printed: &Printed) -> Result<(), CallRefused> {
            self.1.lock().unwrap().push(printed.text.clone());
            Ok(())
        }
        fn is_over(&self) -> bool {
            false
        }
    }

    #[test]
    fn variables_and_functions_stay_and_a_slip_ends_nothing() {
        let lines =
            ["let a = heatsink();", "fn more(x) { x + 1 }", "more(a)", "mor(a)", "b", "a = ", "print(a + 2)"];
        let typing = Arc::new(Typing(Mutex::new(lines.into()), Mutex::default()));
        let caller: Arc<dyn Caller> = Arc::clone(&typing) as Arc<dyn Caller>;
        perform(&Script::typed(), &caller).unwrap();
        let told = typing.1.lock().unwrap();
        assert_eq!((told.len(), told[0].as_str(), told[4].as_str()), (5, "42", "43"), "{told:?}");
        assert!(told[1].contains("perhaps more") && told[2].contains("no variable b"), "{told:?}");
        assert!(told[3].contains("typed:1:"), "{told:?}");
    }
}
