//! The one place that waits: a non-blocking descriptor, polled together with the canceller's.

use std::cell::Cell;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};
use rustix::io::Errno;

use crate::{Canceller, LinkError};

/// A descriptor with a label, a clock and a canceller. Serial, TCP and pipe links are made of it.
#[derive(Debug)]
pub(crate) struct Channel {
    label: String,
    fd: OwnedFd,
    canceller: Canceller,
    opened: Instant,
    /// The last read brought so much that more lies behind it most likely.
    flowing: Cell<bool>,
}

/// As much as a terminal gives at once, less a margin, bytes.
const FLOWING_BYTES: usize = 2048;

impl Channel {
    /// Takes the descriptor over and makes it non-blocking.
    pub(crate) fn new(label: String, fd: OwnedFd) -> Result<Channel, LinkError> {
        let flags = fcntl_getfl(&fd).map_err(|errno| LinkError::from_errno(&label, errno))?;
        fcntl_setfl(&fd, flags | OFlags::NONBLOCK).map_err(|errno| LinkError::from_errno(&label, errno))?;
        let canceller = Canceller::waking(&label)?;
        Ok(Channel { label, fd, canceller, opened: Instant::now(), flowing: Cell::new(false) })
    }

    pub(crate) fn label(&self) -> &str {
        &self.label
    }

    pub(crate) fn now(&self) -> Duration {
        self.opened.elapsed()
    }

    pub(crate) fn canceller(&self) -> Canceller {
        self.canceller.clone()
    }

    pub(crate) fn fd(&self) -> BorrowedFd<'_> {
        self.fd.as_fd()
    }

    pub(crate) fn send(&self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        self.send_if(bytes, deadline, &mut || true)
    }

    /// Asks `may` until the first byte has left, each time right before the call.
    pub(crate) fn send_if(
        &self,
        mut bytes: &[u8],
        deadline: Duration,
        may: &mut dyn FnMut() -> bool,
    ) -> Result<(), LinkError> {
        let whole = bytes.len();
        while !bytes.is_empty() {
            self.wait(PollFlags::OUT, deadline)?;
            if bytes.len() == whole && !may() {
                return Err(LinkError::Refused);
            }
            match rustix::io::write(&self.fd, bytes) {
                Ok(n) => bytes = bytes.get(n..).unwrap_or_default(),
                Err(Errno::AGAIN | Errno::INTR) => self.pause_if_hung(PollFlags::OUT)?,
                Err(errno) => return Err(LinkError::from_errno(&self.label, errno)),
            }
        }
        Ok(())
    }

    pub(crate) fn receive(&self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        if buf.is_empty() {
            return Ok(0);
        }
        let mut waits = !self.flowing.replace(false);
        loop {
            if waits {
                self.wait(PollFlags::IN, deadline)?;
            } else if self.canceller.is_cancelled() {
                return Err(LinkError::Cancelled);
            }
            // Read even when poll reports a hang-up: bytes that came before it are still there.
            match rustix::io::read(&self.fd, &mut *buf) {
                Ok(0) => return Err(LinkError::HungUp),
                Ok(n) => {
                    self.flowing.set(n >= FLOWING_BYTES);
                    return Ok(n);
                }
                Err(Errno::AGAIN | Errno::INTR) if waits => self.pause_if_hung(PollFlags::IN)?,
                Err(Errno::AGAIN | Errno::INTR) => waits = true,
                Err(errno) => return Err(LinkError::from_errno(&self.label, errno)),
            }
        }
    }

    /// Poll said ready and the call said not ready. Either a harmless race, or a hang-up that the call
    /// does not report, which would spin for ever.
    fn pause_if_hung(&self, interest: PollFlags) -> Result<(), LinkError> {
        let mut fds = [PollFd::from_borrowed_fd(self.fd.as_fd(), interest)];
        match poll(&mut fds, Some(&Timespec { tv_sec: 0, tv_nsec: 0 })) {
            Ok(_) | Err(Errno::INTR) => {}
            Err(errno) => return Err(LinkError::from_errno(&self.label, errno)),
        }
        let hung = PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL;
        if fds[0].revents().intersects(hung) { Err(LinkError::HungUp) } else { Ok(()) }
    }

    /// Waits until the descriptor is ready (or hung up), the deadline passes or the canceller rises.
    fn wait(&self, interest: PollFlags, deadline: Duration) -> Result<(), LinkError> {
        loop {
            if self.canceller.is_cancelled() {
                return Err(LinkError::Cancelled);
            }
            let left = deadline.saturating_sub(self.now());
            // An absurdly far deadline does not fit the kernel's type: wait in slices of an hour.
            let slice = left.min(Duration::from_secs(3600));
            let timeout = Timespec {
                tv_sec: i64::try_from(slice.as_secs()).unwrap_or(3600),
                tv_nsec: i64::from(slice.subsec_nanos()),
            };
            let wake = self.canceller.wake();
            let own = PollFd::from_borrowed_fd(self.fd.as_fd(), interest);
            let other = wake.map_or_else(
                || PollFd::from_borrowed_fd(self.fd.as_fd(), PollFlags::empty()),
                |fd| PollFd::from_borrowed_fd(fd, PollFlags::IN),
            );
            let mut fds = [own, other];
            match poll(&mut fds, Some(&timeout)) {
                Ok(0) if left > slice => {}
                Ok(0) => return Err(LinkError::TimedOut),
                Ok(_) if wake.is_some() && !fds[1].revents().is_empty() => return Err(LinkError::Cancelled),
                Ok(_) => return Ok(()),
                Err(Errno::INTR) => {}
                Err(errno) => return Err(LinkError::from_errno(&self.label, errno)),
            }
        }
    }
}
