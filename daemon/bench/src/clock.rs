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

/// The machine's clock since it was started, which never runs back and, unlike [`Instant`], goes on while the machine
/// sleeps: what stood energised meanwhile was watched by nobody, and the guard must see the gap (clock_gettime(2),
/// CLOCK_BOOTTIME). Waits don't count sleep.
#[derive(Debug)]
pub struct WallClock {
    since_start: fn() -> Duration,
    began: Duration,
}

impl Default for WallClock {
    fn default() -> Self {
        WallClock::reading(since_start)
    }
}

impl WallClock {
    /// A clock that takes its time from somewhere else, and waits by the machine's.
    pub fn reading(since_start: fn() -> Duration) -> Self {
        WallClock { since_start, began: since_start() }
    }
}

/// Time since the machine was started, sleep included.
fn since_start() -> Duration {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    Duration::try_from(now).unwrap_or_default()
}

impl Clock for WallClock {
    fn now_s(&self) -> f64 {
        (self.since_start)().saturating_sub(self.began).as_secs_f64()
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

    /// As after a suspend: the clock below jumps by an hour, the wait takes as long as it takes.
    #[test]
    fn fault_45_sleep_of_the_machine_counts() {
        static SLEPT_S: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
        fn sleepy() -> Duration {
            since_start() + Duration::from_secs(SLEPT_S.load(std::sync::atomic::Ordering::SeqCst))
        }
        let (clock, began) = (WallClock::reading(sleepy), Instant::now());
        let before_s = clock.now_s();
        SLEPT_S.store(3600, std::sync::atomic::Ordering::SeqCst);
        clock.sleep(Duration::from_millis(1));
        let gap_s = clock.now_s() - before_s;
        assert!((3600.0..3660.0).contains(&gap_s), "{gap_s} s");
        assert!(began.elapsed() < Duration::from_secs(60));
    }

    /// proc(5): the first number of /proc/uptime is the time since boot, sleep included, in hundredths.
    #[test]
    fn the_clock_below_is_the_uptime() {
        let before = since_start().as_secs_f64();
        let uptime = std::fs::read_to_string("/proc/uptime").unwrap();
        let uptime_s: f64 = uptime.split_whitespace().next().unwrap().parse().unwrap();
        let after = since_start().as_secs_f64();
        assert!((before - 0.02..after + 0.02).contains(&uptime_s), "{before} {uptime_s} {after}");
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
