//! The stop: a flag, a wake-up for everybody who waits, and the interruption of blocked links.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use wattproof_link::Canceller;

use crate::clock::{Clock, Signal};

/// Stop flag, wake-up of waiters, and what interrupts blocked links.
pub(crate) struct StopState {
    stopped: AtomicBool,
    count: AtomicU64,
    by: Mutex<Option<String>>,
    woken: Arc<dyn Signal>,
    cancellers: Vec<Canceller>,
}

impl StopState {
    pub fn new(clock: &Arc<dyn Clock>, cancellers: Vec<Canceller>) -> Self {
        StopState {
            stopped: AtomicBool::new(false),
            count: AtomicU64::new(0),
            by: Mutex::new(None),
            woken: clock.signal(),
            cancellers,
        }
    }

    /// How often somebody asked for the safe state since the bench was opened.
    pub fn count(&self) -> u64 {
        self.count.load(Ordering::Acquire)
    }

    pub fn stopped_by(&self) -> Option<String> {
        if !self.stopped.load(Ordering::Acquire) {
            return None;
        }
        let by = self.by.lock().unwrap_or_else(PoisonError::into_inner);
        Some(by.clone().unwrap_or_else(|| "an unknown hand".into()))
    }

    /// After a person's reset: the bench may be used again.
    pub fn clear(&self) {
        *self.by.lock().unwrap_or_else(PoisonError::into_inner) = None;
        self.stopped.store(false, Ordering::Release);
    }

    /// Wakes everybody who waits, so that they look at guard and stop flag.
    pub fn wake(&self) {
        self.woken.raise();
    }

    /// How often everybody was woken so far: to be asked before looking at guard and stop flag.
    pub fn seen(&self) -> u64 {
        self.woken.seen()
    }

    /// For the bench's own threads, which must go on after a stop: waits for a time or until somebody wakes them, or has
    /// since `seen`, so that what happens while a thread looks is not slept over.
    pub fn doze(&self, seen: u64, length: Duration) {
        self.woken.wait(seen, Some(length));
    }

    /// Waits for a time, or until something happens.
    pub fn wait(&self, length: Duration) {
        let seen = self.woken.seen();
        if !self.stopped.load(Ordering::Acquire) {
            self.woken.wait(seen, Some(length));
        }
    }
}

/// Switches everything off from any thread, at once, whatever the script or the disk is doing.
#[derive(Clone)]
pub struct Stopper {
    state: Arc<StopState>,
}

impl Stopper {
    pub(crate) fn new(state: Arc<StopState>) -> Self {
        Stopper { state }
    }

    /// Asks for the safe state. Blocked exchanges are interrupted; the bench's safety thread does the rest.
    pub fn stop(&self, by: &str) {
        self.state.count.fetch_add(1, Ordering::AcqRel);
        self.state.by.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert_with(|| by.to_string());
        if !self.state.stopped.swap(true, Ordering::AcqRel) {
            self.state.cancellers.iter().for_each(Canceller::cancel);
        }
        self.state.wake();
    }

    /// Whether somebody asked for the safe state.
    pub fn is_stopped(&self) -> bool {
        self.state.stopped.load(Ordering::Acquire)
    }
}
