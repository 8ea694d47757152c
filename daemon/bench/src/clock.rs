//! Time as an argument: the bench's clock is a trait, so that the same code can run in virtual time.

use std::time::{Duration, Instant};

/// A monotonic clock.
pub trait Clock: Send + Sync {
    /// Seconds since the clock began.
    fn now_s(&self) -> f64;
    /// Waits.
    fn sleep(&self, length: Duration);
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
}
