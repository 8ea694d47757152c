//! Writing OFF: one thread per port, all started before they are needed.

use std::os::fd::{AsFd, OwnedFd};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};
use rustix::io::{Errno, write};
use rustix::termios::{QueueSelector, tcflush};

use crate::GuardianError;
use crate::serve::Charge;

/// Pauses ahead of the attempts, ms. Several, since an instrument in the middle of a message or of a block may
/// swallow the first; few, since any traffic may feed an instrument's own watchdog, which needs silence to bite.
const PAUSES_MS: [u64; 5] = [0, 20, 60, 150, 400];
/// How long one attempt may wait for a port that takes no bytes.
const ATTEMPT: Duration = Duration::from_millis(100);

/// The threads, waiting for the word.
pub(crate) struct Switches {
    shared: Arc<Shared>,
}

struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Clone, Copy)]
struct State {
    /// How often the word was given.
    fired: u64,
    /// Ports that have not yet done all their attempts of the last word.
    busy: usize,
    ports: usize,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Switches {
    /// Starts the threads.
    pub(crate) fn ready(ports: Vec<Charge>) -> Result<Self, GuardianError> {
        let state = State { fired: 0, busy: 0, ports: ports.len() };
        let shared = Arc::new(Shared { state: Mutex::new(state), changed: Condvar::new() });
        for (port, off) in ports {
            let flags = fcntl_getfl(&port).map_err(GuardianError::system("looking at a port"))?;
            fcntl_setfl(&port, flags | OFlags::NONBLOCK)
                .map_err(GuardianError::system("making a port non-blocking"))?;
            let shared = Arc::clone(&shared);
            // A small stack, touched when the thread starts: nothing is fetched later.
            let thread = std::thread::Builder::new().name("off".into()).stack_size(64 << 10);
            thread
                .spawn(move || stand_by(&shared, &port, &off))
                .map_err(|source| GuardianError::System { doing: "starting a thread", source })?;
        }
        Ok(Switches { shared })
    }

    /// Gives the word: every port gets its OFF now, and again after each pause.
    pub(crate) fn fire(&self) {
        let mut state = self.shared.lock();
        state.fired += 1;
        state.busy = state.ports;
        drop(state);
        self.shared.changed.notify_all();
    }

    /// Waits until all attempts are made, at most for `patience`: a port may block for ever.
    pub(crate) fn finish(&self, patience: Duration) {
        let state = self.shared.lock();
        let waited = self.shared.changed.wait_timeout_while(state, patience, |state| state.busy > 0);
        drop(waited);
    }
}

fn stand_by(shared: &Shared, port: &OwnedFd, off: &[u8]) {
    let mut seen = 0;
    loop {
        let mut state = shared.lock();
        while state.fired == seen {
            state = shared.changed.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
        seen = state.fired;
        drop(state);
        let mut whole = false;
        for pause in PAUSES_MS.map(Duration::from_millis) {
            if paused(shared, pause, seen) {
                break;
            }
            // An OFF must not queue behind what is stuck, nor throw away the OFF before it.
            if !whole {
                // Fails on what is no terminal, which has no such queue, and on a port that is gone.
                let _no_queue = tcflush(port, QueueSelector::OFlush);
            }
            whole = put(port, off);
        }
        let mut state = shared.lock();
        if state.fired == seen {
            state.busy -= 1;
            drop(state);
            shared.changed.notify_all();
        }
    }
}

/// Waits; true when the word was given anew meanwhile.
fn paused(shared: &Shared, pause: Duration, seen: u64) -> bool {
    if pause.is_zero() {
        return false;
    }
    let state = shared.lock();
    let waited = shared.changed.wait_timeout_while(state, pause, |state| state.fired == seen);
    waited.unwrap_or_else(PoisonError::into_inner).0.fired != seen
}

/// Writes all of `off`, or as much as the port takes in time; whether all went.
fn put(port: &OwnedFd, mut off: &[u8]) -> bool {
    let until = Instant::now() + ATTEMPT;
    while !off.is_empty() {
        match write(port, off) {
            Ok(count) => off = off.get(count..).unwrap_or_default(),
            Err(Errno::AGAIN) => {
                let left = until.saturating_duration_since(Instant::now());
                if left.is_zero() {
                    return false;
                }
                let mut fds = [PollFd::from_borrowed_fd(port.as_fd(), PollFlags::OUT)];
                let timeout = Timespec { tv_sec: 0, tv_nsec: i64::from(left.subsec_nanos()) };
                // A failed wait shows at the next write.
                let _ready = poll(&mut fds, Some(&timeout));
                if fds[0].revents().intersects(PollFlags::ERR | PollFlags::HUP | PollFlags::NVAL) {
                    return false;
                }
            }
            Err(Errno::INTR) => {}
            Err(_) => return false,
        }
    }
    true
}
