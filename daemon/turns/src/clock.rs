//! The bench's clock on turns and virtual time.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use wattproof_bench::{Clock, Signal};

use crate::Scheduler;

/// Once in how many raises of a signal others go first.
const YIELDS_ONCE_IN: usize = 4;

/// Virtual time for a bench.
pub struct VirtualTime(pub Arc<Scheduler>);

/// A signal in virtual time.
pub struct VirtualSignal {
    scheduler: Arc<Scheduler>,
    raised: Arc<AtomicU64>,
}

impl VirtualSignal {
    /// Never raised so far.
    pub fn new(scheduler: &Arc<Scheduler>) -> VirtualSignal {
        VirtualSignal { scheduler: Arc::clone(scheduler), raised: Arc::default() }
    }
}

impl Clock for VirtualTime {
    fn now_s(&self) -> f64 {
        self.0.now_s()
    }

    fn sleep(&self, length: Duration) {
        self.0.wait(None, Some(length));
    }

    fn signal(&self) -> Arc<dyn Signal> {
        Arc::new(VirtualSignal::new(&self.0))
    }

    fn start(&self, name: &str, body: Box<dyn FnOnce() + Send>) -> std::io::Result<JoinHandle<()>> {
        self.0.start(name, body)
    }

    fn join(&self, thread: JoinHandle<()>) -> bool {
        self.0.join(thread)
    }
}

impl Signal for VirtualSignal {
    fn seen(&self) -> u64 {
        self.raised.load(Ordering::Relaxed)
    }

    fn raise(&self) {
        self.raised.fetch_add(1, Ordering::Relaxed);
        self.scheduler.give_way(YIELDS_ONCE_IN);
    }

    fn wait(&self, seen: u64, length: Option<Duration>) {
        if self.seen() == seen {
            self.scheduler.wait(Some((Arc::clone(&self.raised), seen)), length);
        }
    }
}
