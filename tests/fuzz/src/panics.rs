//! Panics as results: where and with which words, without a trace on the terminal.

use std::panic::{AssertUnwindSafe, catch_unwind, set_hook};
use std::sync::{Mutex, Once, PoisonError};

static LAST: Mutex<Option<Panicked>> = Mutex::new(None);
static QUIET: Once = Once::new();

/// A panic.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Panicked {
    /// File, line and column.
    pub place: String,
    /// Its words.
    pub message: String,
}

/// Does something; a panic in it, on whichever thread, is the answer. One caller at a time has any use of it.
pub fn caught(perform: impl FnOnce()) -> Option<Panicked> {
    QUIET.call_once(|| {
        set_hook(Box::new(|info| {
            let place = info.location().map(ToString::to_string).unwrap_or_default();
            let message = info.payload_as_str().unwrap_or("it panicked without words").to_string();
            // The first of several tells why.
            let mut last = LAST.lock().unwrap_or_else(PoisonError::into_inner);
            last.get_or_insert(Panicked { place, message });
        }));
    });
    let mut last = LAST.lock().unwrap_or_else(PoisonError::into_inner);
    *last = None;
    drop(last);
    let panicked = catch_unwind(AssertUnwindSafe(perform)).is_err();
    let said = LAST.lock().unwrap_or_else(PoisonError::into_inner).take();
    said.or_else(|| panicked.then(|| Panicked { place: String::new(), message: String::new() }))
}
