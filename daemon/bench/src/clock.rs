//! Time and turns as arguments: whatever waits on a bench waits here, so that the same code can run in virtual
//! time, one thread at a time, repeatably.

use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// A monotonic clock, with the ways of waiting on it and the threads that do.
pub trait Clock: Send + Sync {
    /// Seconds since the clock began.
    fn now_s(&self) -> f64;

    /// Waits.
    fn sleep(&self, length: Duration);

    /// A new signal, never raised so far.
    fn signal(&self) -> Arc<dyn Signal>;

    /// Starts a thread that waits by this clock only.
    ///
    /// # Errors
    /// When the operating system gives no thread.
    fn start(&self, name: &str, body: Box<dyn FnOnce() + Send>) -> std::io::Result<JoinHandle<()>>;

    /// Waits for the end of a thread started here; false when it had panicked.
    fn join(&self, thread: JoinHandle<()>) -> bool;
}

/// A wake-up that is never missed: it counts how often it was raised, and whoever waits names the count seen before
/// looking at what is waited for.
pub trait Signal: Send + Sync {
    /// How often it was raised so far.
    fn seen(&self) -> u64;

    /// Wakes everybody who waits.
    fn raise(&self);

    /// Waits until it was raised more often than `seen`, or until `length` has passed (None: for ever).
    fn wait(&self, seen: u64, length: Option<Duration>);
}

/// The machine's monotonic clock.
#[derive(Debug)]
pub struct WallClock(Instant);

impl Default for WallClock {
    fn default() -> Self {
        WallClock(Instant::now())
    }
}

impl Clock for WallClock {
    fn now_s(&self) -> f64 {
        self.0.elapsed().as_secs_f64()
    }

    fn sleep(&self, length: Duration) {
        std::thread::sleep(length);
    }

    fn signal(&self) -> Arc<dyn Signal> {
        Arc::new(WallSignal::default())
    }

    fn start(&self, name: &str, body: Box<dyn FnOnce() + Send>) -> std::io::Result<JoinHandle<()>> {
        std::thread::Builder::new().name(name.into()).spawn(body)
    }

    fn join(&self, thread: JoinHandle<()>) -> bool {
        thread.join().is_ok()
    }
}

#[derive(Default)]
struct WallSignal {
    raised: Mutex<u64>,
    wake: Condvar,
}

impl Signal for WallSignal {
    fn seen(&self) -> u64 {
        *self.raised.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn raise(&self) {
        *self.raised.lock().unwrap_or_else(PoisonError::into_inner) += 1;
        self.wake.notify_all();
    }

    fn wait(&self, seen: u64, length: Option<Duration>) {
        let until = length.and_then(|length| Instant::now().checked_add(length));
        let mut raised = self.raised.lock().unwrap_or_else(PoisonError::into_inner);
        while *raised == seen {
            raised = match until {
                None => self.wake.wait(raised).unwrap_or_else(PoisonError::into_inner),
                Some(until) => {
                    let left = until.saturating_duration_since(Instant::now());
                    if left.is_zero() {
                        return;
                    }
                    self.wake.wait_timeout(raised, left).unwrap_or_else(PoisonError::into_inner).0
                }
            };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_raise_between_looking_and_waiting_is_not_missed() {
        let signal = WallClock::default().signal();
        let seen = signal.seen();
        signal.raise();
        let began = Instant::now();
        signal.wait(seen, Some(Duration::from_secs(60)));
        assert!(began.elapsed() < Duration::from_secs(10));
    }

    #[test]
    fn an_absurdly_long_wait_ends_by_a_raise() {
        let clock = WallClock::default();
        let signal = clock.signal();
        let seen = signal.seen();
        let raiser = Arc::clone(&signal);
        let thread = clock.start("raiser", Box::new(move || raiser.raise())).unwrap();
        signal.wait(seen, Some(Duration::MAX));
        assert!(clock.join(thread));
        assert_eq!(signal.seen(), 1);
    }
}
