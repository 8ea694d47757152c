//! Time and turns as arguments: whatever waits on a bench waits here, so that the same code can run in virtual
//! time, one thread at a time, repeatably.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rustix::thread::futex::{Flags, wait, wake};
use rustix::time::Timespec;

use crate::safety::precedence::go_ahead;

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

    /// The same for a thread that stands between a fault and OFF: ahead of everything ordinary, where the machine grants
    /// it. It must wait nearly all the time.
    ///
    /// # Errors
    /// As [`Clock::start`].
    fn start_ahead(&self, name: &str, body: Box<dyn FnOnce() + Send>) -> std::io::Result<JoinHandle<()>> {
        self.start(name, body)
    }

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

    fn start_ahead(&self, name: &str, body: Box<dyn FnOnce() + Send>) -> std::io::Result<JoinHandle<()>> {
        let body = || {
            go_ahead();
            body();
        };
        self.start(name, Box::new(body))
    }

    fn join(&self, thread: JoinHandle<()>) -> bool {
        thread.join().is_ok()
    }
}

/// A count that threads wait at without a lock: of those that one raise wakes together, none can be pushed off its
/// processor holding what the others need. Only a raise that came 2^32 raises after the one seen could be missed.
#[derive(Default)]
struct WallSignal {
    raised: AtomicU32,
}

impl Signal for WallSignal {
    fn seen(&self) -> u64 {
        self.raised.load(Ordering::SeqCst).into()
    }

    fn raise(&self) {
        self.raised.fetch_add(1, Ordering::SeqCst);
        // It can only fail for an address that is none.
        let _woken = wake(&self.raised, Flags::PRIVATE, i32::MAX.unsigned_abs());
    }

    fn wait(&self, seen: u64, length: Option<Duration>) {
        let until = length.and_then(|length| Instant::now().checked_add(length));
        while self.seen() == seen {
            let left = until.map(|until| until.saturating_duration_since(Instant::now()));
            if left.is_some_and(|left| left.is_zero()) {
                return;
            }
            // A time that the kernel can't count is for ever.
            let left = left.and_then(|left| Timespec::try_from(left).ok());
            // Raised meanwhile, woken, interrupted or too late: the count and the time are looked at again.
            let _woken = wait(&self.raised, Flags::PRIVATE, seen as u32, left.as_ref());
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
