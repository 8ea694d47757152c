//! Interrupting a blocked link from another thread.

use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use rustix::event::{EventfdFlags, eventfd};

use crate::LinkError;

/// Interrupts a link: after [`Canceller::cancel`] the blocked or next send or receive returns
/// [`LinkError::Cancelled`] at once, and so does every later one until [`Canceller::clear`].
#[derive(Debug, Clone)]
pub struct Canceller {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    raised: AtomicBool,
    wake: Wake,
}

/// What a cancellation wakes.
enum Wake {
    /// Nothing: the link never blocks.
    Nobody,
    /// A blocked poll.
    Poll(OwnedFd),
    /// Whatever a link outside this room waits by.
    Call(Box<dyn Fn() + Send + Sync>),
}

impl std::fmt::Debug for Wake {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Wake::Nobody => "Nobody",
            Wake::Poll(_) => "Poll",
            Wake::Call(_) => "Call",
        })
    }
}

impl Canceller {
    /// For a link that waits in poll.
    pub(crate) fn waking(port: &str) -> Result<Canceller, LinkError> {
        let wake =
            eventfd(0, EventfdFlags::CLOEXEC | EventfdFlags::NONBLOCK).map_err(|errno| LinkError::Open {
                port: port.to_string(),
                reason: format!("no event descriptor: {errno}"),
                remedy: "raise the limit on open files (ulimit -n)".to_string(),
            })?;
        Ok(Canceller { inner: Arc::new(Inner { raised: AtomicBool::new(false), wake: Wake::Poll(wake) }) })
    }

    /// For a link that never blocks.
    pub(crate) fn flag() -> Canceller {
        Canceller { inner: Arc::new(Inner { raised: AtomicBool::new(false), wake: Wake::Nobody }) }
    }

    /// For a link outside this room: `wake` is called after each cancellation and makes the link look at
    /// [`Canceller::is_cancelled`].
    pub fn calling(wake: impl Fn() + Send + Sync + 'static) -> Canceller {
        let wake = Wake::Call(Box::new(wake));
        Canceller { inner: Arc::new(Inner { raised: AtomicBool::new(false), wake }) }
    }

    /// Raises the cancellation.
    pub fn cancel(&self) {
        self.inner.raised.store(true, Ordering::SeqCst);
        match &self.inner.wake {
            Wake::Nobody => {}
            Wake::Poll(wake) => {
                // EAGAIN means that the counter is full, so the descriptor is readable already.
                let _already_readable = rustix::io::write(wake, &1u64.to_ne_bytes());
            }
            Wake::Call(wake) => wake(),
        }
    }

    /// Lets the link work again.
    pub fn clear(&self) {
        if let Wake::Poll(wake) = &self.inner.wake {
            // EAGAIN means that nothing was raised.
            let _nothing_raised = rustix::io::read(wake, &mut [0u8; 8]);
        }
        self.inner.raised.store(false, Ordering::SeqCst);
    }

    /// Whether the cancellation stands.
    pub fn is_cancelled(&self) -> bool {
        self.inner.raised.load(Ordering::SeqCst)
    }

    pub(crate) fn wake(&self) -> Option<BorrowedFd<'_>> {
        match &self.inner.wake {
            Wake::Poll(wake) => Some(wake.as_fd()),
            Wake::Nobody | Wake::Call(_) => None,
        }
    }
}
