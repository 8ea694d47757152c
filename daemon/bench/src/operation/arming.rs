//! Who was let energise. A trip and a person's reset may both fall between two calls of a script that does not know of
//! either: once the bench has been armed for another run, that script must not drive it.

use std::sync::atomic::Ordering;

use wattproof_guard::State;

use crate::{Bench, BenchError};

/// One arming of a bench; the next is another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arming(u64);

impl Bench {
    /// Notes that the bench has just been armed.
    pub(crate) fn newly_armed(&self) -> Arming {
        Arming(self.shared.armings.fetch_add(1, Ordering::AcqRel) + 1)
    }

    /// Whether the bench is still armed by this arming: neither tripped since, nor reset, nor armed for another run.
    ///
    /// # Errors
    /// [`BenchError::Tripped`], [`BenchError::Stopped`]; [`BenchError::Disarmed`] when a reset has come since.
    pub fn still(&self, arming: Arming) -> Result<(), BenchError> {
        self.check_stop()?;
        let last = Arming(self.shared.armings.load(Ordering::Acquire));
        let armed = matches!(self.state(), State::Armed | State::Running);
        if armed && last == arming { Ok(()) } else { Err(BenchError::Disarmed) }
    }
}
