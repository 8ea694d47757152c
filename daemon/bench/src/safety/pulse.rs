//! Signs of life of the safety loop: what the guardian's heartbeats and the service's watchdog are fed from.

use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Weak};
use std::time::{Duration, Instant};

/// Two turns of the safety loop: an older one says that the loop hangs.
const TURN_AGE_MAX: Duration = Duration::from_millis(100);
/// How long a trip may keep the loop busy before it counts as hanging.
const CARRYING_OUT_MAX: Duration = Duration::from_secs(5);

/// When the safety loop last turned, and whether a trip is being carried out.
#[derive(Debug)]
pub(crate) struct Pulse {
    epoch: Instant,
    /// Nanoseconds since the epoch.
    turned_ns: AtomicU64,
    turns: AtomicU64,
    carrying_out: AtomicUsize,
    since_ns: AtomicU64,
}

impl Default for Pulse {
    fn default() -> Self {
        Pulse {
            epoch: Instant::now(),
            turned_ns: AtomicU64::new(0),
            turns: AtomicU64::new(0),
            carrying_out: AtomicUsize::new(0),
            since_ns: AtomicU64::new(0),
        }
    }
}

/// A trip is being carried out for as long as this lives.
pub(crate) struct CarryingOut<'a>(&'a Pulse);

/// A handle on the safety loop's signs of life that keeps nothing open.
#[derive(Debug, Clone)]
pub struct SignsOfLife(Weak<Pulse>);

impl SignsOfLife {
    pub(crate) fn of(pulse: &Arc<Pulse>) -> Self {
        SignsOfLife(Arc::downgrade(pulse))
    }

    /// How often the safety loop has turned; stands still when it hangs. None once the bench is closed.
    pub fn turns(&self) -> Option<u64> {
        Some(self.0.upgrade()?.turns())
    }
}

impl Pulse {
    fn now_ns(&self) -> u64 {
        u64::try_from(self.epoch.elapsed().as_nanos()).unwrap_or(u64::MAX)
    }

    /// The safety loop has judged time and readings, and nothing was too old.
    pub fn turn(&self) {
        self.turned_ns.store(self.now_ns(), Ordering::Release);
        self.turns.fetch_add(1, Ordering::AcqRel);
    }

    /// Whoever carries out a trip holds up the safety loop, for a bounded time.
    pub fn carrying_out(&self) -> CarryingOut<'_> {
        if self.carrying_out.fetch_add(1, Ordering::AcqRel) == 0 {
            self.since_ns.store(self.now_ns(), Ordering::Release);
        }
        CarryingOut(self)
    }

    /// Whether the safety loop lives.
    pub fn beats(&self) -> bool {
        let now_ns = self.now_ns();
        let young = |then: &AtomicU64, limit: Duration| {
            u128::from(now_ns.saturating_sub(then.load(Ordering::Acquire))) <= limit.as_nanos()
        };
        let busy = self.carrying_out.load(Ordering::Acquire) > 0;
        young(&self.turned_ns, TURN_AGE_MAX) || (busy && young(&self.since_ns, CARRYING_OUT_MAX))
    }

    /// How often the safety loop has turned; carrying out a trip counts as turning.
    pub fn turns(&self) -> u64 {
        let busy = self.carrying_out.load(Ordering::Acquire) > 0 && self.beats();
        self.turns.load(Ordering::Acquire) + if busy { self.now_ns() / 50_000_000 } else { 0 }
    }
}

impl Drop for CarryingOut<'_> {
    fn drop(&mut self) {
        self.0.carrying_out.fetch_sub(1, Ordering::AcqRel);
        self.0.turn();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_loop_that_stops_turning_has_no_pulse() {
        let pulse = Pulse::default();
        pulse.turn();
        assert!(pulse.beats());
        std::thread::sleep(TURN_AGE_MAX + Duration::from_millis(20));
        assert!(!pulse.beats(), "no turn for more than its limit");
        let busy = pulse.carrying_out();
        assert!(pulse.beats(), "a trip is being carried out");
        drop(busy);
        assert!(pulse.beats(), "it was carried out just now");
        std::thread::sleep(TURN_AGE_MAX + Duration::from_millis(20));
        assert!(!pulse.beats());
    }
}
