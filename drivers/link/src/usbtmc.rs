//! A USB test-and-measurement device (USBTMC 1.0, USB488 subclass) through the kernel's driver: `/dev/usbtmc0`.
//!
//! One write is one message, one read one answer up to its end. It differs from every other link in three ways, all of
//! the driver's making (`drivers/usb/class/usbtmc.c`):
//!
//! - A read asks the device for an answer at once, so it is done only when [`Link::expects`] has said that one is due:
//!   a device that has nothing to say queues −420 (IEEE 488.2, query unterminated).
//! - `poll` never tells that an answer waits, since that needs the driver's own asynchronous calls; a read blocks, at
//!   the most for the driver's time-out (5 s). A thread of its own therefore reads and writes, so that deadlines and
//!   cancellation hold on this side.
//! - While a read blocks, the driver holds its lock, and a write on any descriptor of the device waits as long. **An
//!   OFF could wait for 5 s**: a bench refuses source and supply on such a link.
//!
//! The driver's ioctls (clear, abort, time-out, status byte) would need unsafe code, which this project forbids: what is
//! stuck is not cleared, and [`Link::abandon`] does nothing. Tried on stand-ins only, not on a device.

use std::collections::VecDeque;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::fs::FileTypeExt;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use rustix::event::{EventfdFlags, PollFd, PollFlags, Timespec, eventfd, poll};
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;

use crate::ports::ports_sentence;
use crate::serial::{busy, refuse};
use crate::{Canceller, Link, LinkError};

/// Most bytes of one read. A longer answer takes several. One that fills the last of them exactly has no end that can be
/// told, and keeps the next message waiting for the driver's time-out.
const READ_BYTES: usize = 65_536;

/// An open device.
#[derive(Debug)]
pub struct UsbTmcLink {
    label: String,
    fd: Arc<OwnedFd>,
    opened: Instant,
    canceller: Canceller,
    orders: Sender<Job>,
    done: Receiver<Done>,
    /// Readable when something is done.
    wake: Arc<OwnedFd>,
    /// The thread is in a call that has not come back.
    busy: bool,
    /// An answer is due, and its end has not come.
    expecting: bool,
    came: VecDeque<u8>,
    wrote: Option<Result<(), LinkError>>,
    broken: Option<LinkError>,
}

enum Job {
    Read,
    Write(Vec<u8>),
}

enum Done {
    Read(Result<Vec<u8>, Errno>),
    Wrote(Result<(), Errno>),
}

impl UsbTmcLink {
    /// Opens the device. The kernel's driver lets any number of processes in: whoever must be alone takes a lock
    /// elsewhere.
    ///
    /// # Errors
    /// `Open` when it is missing, not permitted or no device; `Busy`.
    pub fn open(path: &str) -> Result<UsbTmcLink, LinkError> {
        let Ok(kind) = std::fs::metadata(path) else {
            let remedy = format!("plug it in and switch it on; {}", ports_sentence());
            return Err(refuse(path, "there is no such device", remedy));
        };
        if !kind.file_type().is_char_device() {
            return Err(refuse(path, "this is no device", "name one such as /dev/usbtmc0"));
        }
        let fd = rustix::fs::open(path, OFlags::RDWR | OFlags::CLOEXEC, Mode::empty()).map_err(|errno| {
            match errno {
                Errno::BUSY => busy(path),
                Errno::ACCESS | Errno::PERM => refuse(
                    path,
                    "this user may not open it",
                    "give its group access by a udev rule (daemon/packaging/60-wattproof.rules has one) and replug it",
                ),
                other => refuse(path, &std::io::Error::from(other).to_string(), ports_sentence()),
            }
        })?;
        UsbTmcLink::over(path, fd)
    }

    /// The same over a descriptor that behaves like such a device: one write a message, one read an answer.
    ///
    /// # Errors
    /// `Open` when the process is out of descriptors or threads.
    pub fn over(label: &str, fd: OwnedFd) -> Result<UsbTmcLink, LinkError> {
        let short =
            |reason: String| refuse(label, &reason, "raise the limits on open files and processes (ulimit)");
        let wake = eventfd(0, EventfdFlags::CLOEXEC | EventfdFlags::NONBLOCK)
            .map_err(|errno| short(std::io::Error::from(errno).to_string()))?;
        let (fd, wake) = (Arc::new(fd), Arc::new(wake));
        let (orders, taken) = channel();
        let (told, done) = channel();
        let (own, waker) = (Arc::clone(&fd), Arc::clone(&wake));
        std::thread::Builder::new()
            .name("usbtmc".into())
            .spawn(move || work(&own, &waker, &taken, &told))
            .map_err(|error| short(error.to_string()))?;
        Ok(UsbTmcLink {
            label: label.to_string(),
            fd,
            opened: Instant::now(),
            canceller: Canceller::waking(label)?,
            orders,
            done,
            wake,
            busy: false,
            expecting: false,
            came: VecDeque::new(),
            wrote: None,
            broken: None,
        })
    }

    fn order(&mut self, job: Job) -> Result<(), LinkError> {
        self.busy = true;
        self.orders.send(job).map_err(|_| LinkError::HungUp)
    }

    /// Takes in what the thread has done since.
    fn absorb(&mut self) {
        while let Ok(done) = self.done.try_recv() {
            self.busy = false;
            match done {
                Done::Read(Ok(bytes)) => {
                    // Less than was asked for: that was the end of the answer.
                    self.expecting &= bytes.len() == READ_BYTES;
                    self.came.extend(bytes);
                }
                // The driver gave up waiting.
                Done::Read(Err(Errno::TIMEDOUT)) => self.expecting = false,
                Done::Read(Err(errno)) => self.broken = Some(LinkError::from_errno(&self.label, errno)),
                Done::Wrote(Err(Errno::TIMEDOUT)) => self.wrote = Some(Err(LinkError::TimedOut)),
                Done::Wrote(done) => {
                    self.wrote = Some(done.map_err(|errno| LinkError::from_errno(&self.label, errno)));
                }
            }
        }
    }

    /// Waits until the thread has done something, the deadline passes or the canceller rises.
    fn wait(&mut self, deadline: Duration) -> Result<(), LinkError> {
        if self.canceller.is_cancelled() {
            return Err(LinkError::Cancelled);
        }
        let left = deadline.saturating_sub(self.opened.elapsed()).min(Duration::from_secs(3600));
        let timeout = Timespec {
            tv_sec: i64::try_from(left.as_secs()).unwrap_or(3600),
            tv_nsec: i64::from(left.subsec_nanos()),
        };
        let done = PollFd::new(&*self.wake, PollFlags::IN);
        let stop = self.canceller.wake().map(|fd| PollFd::from_borrowed_fd(fd, PollFlags::IN));
        let mut fds: Vec<PollFd<'_>> = std::iter::once(done).chain(stop).collect();
        match poll(&mut fds, Some(&timeout)) {
            Ok(0) if self.opened.elapsed() >= deadline => return Err(LinkError::TimedOut),
            Ok(_) | Err(Errno::INTR) => {}
            Err(errno) => return Err(LinkError::from_errno(&self.label, errno)),
        }
        // Nothing to be read means that the counter was 0 all along.
        let _was_zero = rustix::io::read(&*self.wake, &mut [0u8; 8]);
        self.absorb();
        if self.canceller.is_cancelled() { Err(LinkError::Cancelled) } else { Ok(()) }
    }
}

/// The thread: one call at a time, until nobody gives orders any more.
fn work(fd: &OwnedFd, wake: &OwnedFd, orders: &Receiver<Job>, told: &Sender<Done>) {
    let mut buf = vec![0u8; READ_BYTES];
    while let Ok(job) = orders.recv() {
        let done = match job {
            Job::Read => {
                Done::Read(again(|| rustix::io::read(fd, &mut *buf)).and_then(|count| match count {
                    // The end of a stand-in; a device never ends.
                    0 => Err(Errno::NODEV),
                    count => Ok(buf.get(..count).unwrap_or_default().to_vec()),
                }))
            }
            Job::Write(bytes) => Done::Wrote(write_whole(fd, &bytes)),
        };
        if told.send(done).is_err() {
            return;
        }
        // Fails only when the counter is full, so that it is readable already.
        let _readable_already = rustix::io::write(wake, &1u64.to_ne_bytes());
    }
}

/// One write is one message: its rest would be another. The driver takes all of it or says that it failed.
fn write_whole(fd: &OwnedFd, bytes: &[u8]) -> Result<(), Errno> {
    let count = again(|| rustix::io::write(fd, bytes))?;
    if count == bytes.len() { Ok(()) } else { Err(Errno::IO) }
}

fn again<T>(mut call: impl FnMut() -> Result<T, Errno>) -> Result<T, Errno> {
    loop {
        match call() {
            Err(Errno::INTR) => {}
            other => return other,
        }
    }
}

impl Link for UsbTmcLink {
    fn label(&self) -> &str {
        &self.label
    }

    fn now(&self) -> Duration {
        self.opened.elapsed()
    }

    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        self.send_if(bytes, deadline, &mut || true)
    }

    /// When the deadline passes the message may still leave: the driver can't be told otherwise.
    fn send_if(
        &mut self,
        bytes: &[u8],
        deadline: Duration,
        may: &mut dyn FnMut() -> bool,
    ) -> Result<(), LinkError> {
        if self.canceller.is_cancelled() {
            return Err(LinkError::Cancelled);
        }
        self.absorb();
        while self.busy {
            self.wait(deadline)?;
        }
        if let Some(broken) = &self.broken {
            return Err(broken.clone());
        }
        if !may() {
            return Err(LinkError::Refused);
        }
        self.wrote = None;
        self.order(Job::Write(bytes.to_vec()))?;
        while self.busy {
            self.wait(deadline)?;
        }
        self.wrote.take().unwrap_or(Err(LinkError::HungUp))
    }

    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        if buf.is_empty() {
            return Ok(0);
        }
        loop {
            if self.canceller.is_cancelled() {
                return Err(LinkError::Cancelled);
            }
            self.absorb();
            if !self.came.is_empty() {
                let count = buf.len().min(self.came.len());
                for (place, byte) in buf.iter_mut().zip(self.came.drain(..count)) {
                    *place = byte;
                }
                return Ok(count);
            }
            if let Some(broken) = &self.broken {
                return Err(broken.clone());
            }
            if self.expecting && !self.busy {
                self.order(Job::Read)?;
            }
            self.wait(deadline)?;
        }
    }

    fn expects(&mut self) {
        self.expecting = true;
    }

    fn canceller(&self) -> Canceller {
        self.canceller.clone()
    }

    fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        Some((*self.fd).as_fd())
    }
}
