//! What a script prints, with the line on which it does.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use rhai::{Array, Dynamic, Engine, ImmutableString, Map, NativeCallContext};
use serde::{Deserialize, Serialize};

use super::call::Caller;

/// Something printed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Printed {
    /// The text.
    pub text: String,
    /// Line in the script, from 1; 0 when unknown.
    pub line: usize,
}

/// Hands what is printed to a caller. The engine tells where `debug` stands, but not where `print` does: functions of the
/// same name and types as its own note the line first.
pub fn register(engine: &mut Engine, caller: &Arc<dyn Caller>) {
    let line = Arc::new(AtomicUsize::new(0));
    macro_rules! note {
        ($($kind:ty),*) => {$(
            let noted = Arc::clone(&line);
            engine.register_fn("print", move |context: NativeCallContext<'_>, value: $kind| -> ImmutableString {
                noted.store(context.call_position().line().unwrap_or(0), Ordering::Relaxed);
                Dynamic::from(value).to_string().into()
            });
        )*};
    }
    note!(ImmutableString, char, i64, f64, bool, (), Array, Map);
    let printing = Arc::clone(caller);
    // A print can't fail by itself: a script that prints too much is ended at its next operation.
    engine.on_print(move |text| {
        drop(printing.print(&Printed { text: text.into(), line: line.swap(0, Ordering::Relaxed) }));
    });
    let debugging = Arc::clone(caller);
    engine.on_debug(move |text, _, position| {
        let line = position.line().unwrap_or(0);
        drop(debugging.print(&Printed { text: format!("line {line}: {text}"), line }));
    });
}
