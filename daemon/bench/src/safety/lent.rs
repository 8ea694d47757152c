//! A lock that lends its holder the precedence of whoever waits for it. Else a thread of the script's that is pushed off
//! its processor while it holds the guard would keep the safety loop waiting for as long as the machine is busy.

use std::ops::{Deref, DerefMut};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use rustix::io::Errno;
use rustix::thread::futex::{Flags, lock_pi, unlock_pi};

/// A value behind such a lock. Held for a few microseconds, never across a wait.
#[derive(Debug, Default)]
pub(crate) struct Lent<T> {
    gate: Gate,
    value: Mutex<T>,
}

/// The lock held; ends when dropped.
pub(crate) struct LentGuard<'a, T> {
    // Dropped in this order: the value is free before the next one is let in.
    value: MutexGuard<'a, T>,
    _inside: Option<Inside<'a>>,
}

/// Who is inside, as the kernel wants it told (futex(2), FUTEX_LOCK_PI): 0, or the thread, with a bit set while others wait.
#[derive(Debug, Default)]
struct Gate(AtomicU32);

struct Inside<'a>(&'a Gate);

impl<T> Lent<T> {
    pub fn new(value: T) -> Self {
        Lent { gate: Gate::default(), value: Mutex::new(value) }
    }

    /// Waits for the lock. A panic of an earlier holder changes nothing: the safe state must still be reachable.
    pub fn lock(&self) -> LentGuard<'_, T> {
        let inside = self.gate.enter();
        LentGuard { value: self.value.lock().unwrap_or_else(PoisonError::into_inner), _inside: inside }
    }
}

impl Gate {
    /// None where the kernel has no such gates: the value's own lock, behind it, keeps threads apart in any case.
    fn enter(&self) -> Option<Inside<'_>> {
        if self.0.compare_exchange(0, me(), Ordering::Acquire, Ordering::Relaxed).is_ok() {
            return Some(Inside(self));
        }
        loop {
            match lock_pi(&self.0, Flags::PRIVATE, None) {
                Ok(()) => return Some(Inside(self)),
                Err(Errno::INTR | Errno::AGAIN) => {}
                Err(_) => return None,
            }
        }
    }
}

impl Drop for Inside<'_> {
    fn drop(&mut self) {
        let gate = &self.0.0;
        if gate.compare_exchange(me(), 0, Ordering::Release, Ordering::Relaxed).is_err() {
            // Somebody waits: the kernel hands it over. It can't fail for who is inside.
            let _handed_over = unlock_pi(gate, Flags::PRIVATE);
        }
    }
}

/// This thread's number, asked for once.
fn me() -> u32 {
    thread_local! {
        static ME: u32 = rustix::thread::gettid().as_raw_nonzero().get().unsigned_abs();
    }
    ME.try_with(|me| *me).unwrap_or_else(|_| rustix::thread::gettid().as_raw_nonzero().get().unsigned_abs())
}

impl<T> Deref for LentGuard<'_, T> {
    type Target = T;
    fn deref(&self) -> &T {
        &self.value
    }
}

impl<T> DerefMut for LentGuard<'_, T> {
    fn deref_mut(&mut self) -> &mut T {
        &mut self.value
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;
    use std::sync::Arc;
    use std::time::{Duration, Instant};

    #[test]
    fn holders_exclude_each_other_and_none_is_lost() {
        let lock = Lent::new(0);
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    for _ in 0..5000 {
                        let mut held = lock.lock();
                        let seen = *held;
                        std::hint::black_box(seen);
                        *held = seen + 1;
                    }
                });
            }
        });
        assert_eq!(*lock.lock(), 20_000);
        assert_eq!(lock.gate.0.load(Ordering::Relaxed), 0, "nobody is inside any more");
    }

    #[test]
    fn a_panic_of_the_holder_leaves_it_usable() {
        let lock = Arc::new(Lent::new(1));
        let holder = Arc::clone(&lock);
        let ended = std::thread::spawn(move || {
            let _held = holder.lock();
            panic!("as planned by the test");
        });
        assert!(ended.join().is_err());
        *lock.lock() += 1;
        assert_eq!(*lock.lock(), 2);
    }

    /// sched(7), futex(2): while a real-time thread waits, the holder runs with its priority; field 18 of
    /// /proc/PID/stat (proc(5)) is -1 minus that priority.
    #[test]
    fn the_holder_is_lent_the_precedence_of_who_waits() {
        let lock = Arc::new(Lent::new(()));
        let held = lock.lock();
        let waiter = Arc::clone(&lock);
        let (told, granted) = std::sync::mpsc::channel();
        let waits = std::thread::spawn(move || {
            told.send(wattproof_guardian::go_ahead(wattproof_guardian::Precedence::Daemon).is_ok()).unwrap();
            drop(waiter.lock());
        });
        if granted.recv().unwrap() {
            let stat = format!("/proc/self/task/{}/stat", me());
            let priority = || {
                let text = std::fs::read_to_string(&stat).unwrap();
                let (_, fields) = text.rsplit_once(") ").unwrap();
                fields.split(' ').nth(15).unwrap().parse::<i32>().unwrap()
            };
            let until = Instant::now() + Duration::from_secs(10);
            while priority() != -11 {
                assert!(Instant::now() < until, "{} instead of -11", priority());
                std::thread::sleep(Duration::from_millis(1));
            }
            drop(held);
            assert!(priority() >= 0, "given back");
        } else {
            drop(held);
        }
        waits.join().unwrap();
    }
}
