//! Somebody who types a script line by line while the bench may be energised.

use wattproof_bench::BenchError;

/// A person at a prompt.
pub trait Typist: Send + Sync {
    /// What is typed next; none when there will be nothing more. While it waits, it asks again and again whether the bench
    /// goes on: a stop or a trip ends the wait.
    ///
    /// # Errors
    /// What `goes_on` says.
    fn next(&self, goes_on: &mut dyn FnMut() -> Result<(), BenchError>)
    -> Result<Option<String>, BenchError>;
}
