//! A lock that may be held while its holder waits for instruments: one waits for it by the bench's clock.

use std::ops::{Deref, DerefMut};
use std::sync::{Arc, Mutex, MutexGuard, TryLockError};

use crate::clock::{Clock, Signal};

/// A value that one thread at a time uses, for as long as instruments take.
pub(crate) struct Turn<T> {
    value: Mutex<T>,
    freed: Arc<dyn Signal>,
}

/// The turn; ends when dropped.
pub(crate) struct Held<'a, T> {
    // Dropped in this order: the next in line is told when the value is free.
    value: MutexGuard<'a, T>,
    _told: Told<'a>,
}

struct Told<'a>(&'a dyn Signal);

impl<T> Turn<T> {
    pub fn new(clock: &dyn Clock, value: T) -> Self {
        Turn { value: Mutex::new(value), freed: clock.signal() }
    }

    /// Waits for the turn. A panic of an earlier holder changes nothing: the safe state must still be reachable.
    pub fn take(&self) -> Held<'_, T> {
        loop {
            let seen = self.freed.seen();
            let value = match self.value.try_lock() {
                Ok(value) => value,
                Err(TryLockError::Poisoned(poisoned)) => poisoned.into_inner(),
                Err(TryLockError::WouldBlock) => {
                    self.freed.wait(seen, None);
                    continue;
                }
            };
            return Held { value, _told: Told(&*self.freed) };
        }
    }
}

impl<T> Deref for Held<'_, T> {
    type Target = T;
    fn deref(&self) -> &T {
        &self.value
    }
}

impl<T> DerefMut for Held<'_, T> {
    fn deref_mut(&mut self) -> &mut T {
        &mut self.value
    }
}

impl Drop for Told<'_> {
    fn drop(&mut self) {
        self.0.raise();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::WallClock;

    #[test]
    fn turns_exclude_each_other_and_none_is_lost() {
        let clock = WallClock::default();
        let turn = Turn::new(&clock, 0);
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    for _ in 0..1000 {
                        let mut held = turn.take();
                        let seen = *held;
                        std::hint::black_box(seen);
                        *held = seen + 1;
                    }
                });
            }
        });
        assert_eq!(*turn.take(), 4000);
    }
}
