//! A link that answers by a function call, in virtual time: rehearsals and fault simulations run as fast
//! as the processor allows and repeat exactly.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use crate::{Canceller, Link, LinkError};

/// Answers bytes with bytes: what was sent and the virtual time since the link was opened come in, what
/// the instrument says goes out.
pub type Responder = Box<dyn FnMut(&[u8], Duration) -> Vec<u8> + Send>;

/// A clock that moves only when told. Clones show the same time, so that several links of one bench can
/// share it.
#[derive(Debug, Clone, Default)]
pub struct VirtualClock {
    nanos: Arc<AtomicU64>,
}

impl VirtualClock {
    /// A clock at zero.
    pub fn new() -> VirtualClock {
        VirtualClock::default()
    }

    /// Time since zero.
    pub fn now(&self) -> Duration {
        Duration::from_nanos(self.nanos.load(Ordering::SeqCst))
    }

    /// Moves on to `to`; does nothing when that is past. Stops after 584 years.
    pub fn advance_to(&self, to: Duration) {
        let nanos = u64::try_from(to.as_nanos()).unwrap_or(u64::MAX);
        self.nanos.fetch_max(nanos, Ordering::SeqCst);
    }
}

/// A synchronous in-process link in virtual time.
///
/// `send` calls the responder and queues what it returns; `receive` hands out what is queued, or moves
/// the clock on to the deadline and times out. A link made by [`CallLink::polled`] also asks the responder
/// (with no bytes) at every step of virtual time while it waits, so that an instrument can answer late.
pub struct CallLink {
    label: String,
    responder: Responder,
    queued: VecDeque<u8>,
    clock: VirtualClock,
    step: Option<Duration>,
    canceller: Canceller,
}

impl std::fmt::Debug for CallLink {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("CallLink")
            .field("label", &self.label)
            .field("now", &self.clock.now())
            .finish_non_exhaustive()
    }
}

impl CallLink {
    /// A link with a clock of its own, whose responder is asked only when bytes are sent.
    pub fn new(label: impl Into<String>, responder: Responder) -> CallLink {
        CallLink::with_clock(label, VirtualClock::new(), responder)
    }

    /// The same on a shared clock.
    pub fn with_clock(label: impl Into<String>, clock: VirtualClock, responder: Responder) -> CallLink {
        CallLink {
            label: label.into(),
            responder,
            queued: VecDeque::new(),
            clock,
            step: None,
            canceller: Canceller::flag(),
        }
    }

    /// A link whose responder is also asked, with no bytes, every `step` of virtual time of a wait. A step
    /// under 1 µs counts as 1 µs.
    pub fn polled(
        label: impl Into<String>,
        clock: VirtualClock,
        step: Duration,
        responder: Responder,
    ) -> CallLink {
        let mut link = CallLink::with_clock(label, clock, responder);
        link.step = Some(step.max(Duration::from_micros(1)));
        link
    }

    fn ask(&mut self, bytes: &[u8]) {
        let answer = (self.responder)(bytes, self.clock.now());
        self.queued.extend(answer);
    }

    /// Lets virtual time pass up to the deadline, until something is queued.
    fn wait(&mut self, deadline: Duration) {
        let Some(step) = self.step else {
            self.clock.advance_to(deadline);
            return;
        };
        self.ask(&[]);
        while self.queued.is_empty() && self.clock.now() < deadline {
            self.clock.advance_to((self.clock.now() + step).min(deadline));
            self.ask(&[]);
        }
    }
}

impl Link for CallLink {
    fn label(&self) -> &str {
        &self.label
    }
    fn now(&self) -> Duration {
        self.clock.now()
    }
    fn send(&mut self, bytes: &[u8], _deadline: Duration) -> Result<(), LinkError> {
        if self.canceller.is_cancelled() {
            return Err(LinkError::Cancelled);
        }
        self.ask(bytes);
        Ok(())
    }
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        if self.canceller.is_cancelled() {
            return Err(LinkError::Cancelled);
        }
        if buf.is_empty() {
            return Ok(0);
        }
        if self.queued.is_empty() {
            self.wait(deadline);
        }
        let n = self.queued.len().min(buf.len());
        if n == 0 {
            return Err(LinkError::TimedOut);
        }
        for (slot, byte) in buf.iter_mut().zip(self.queued.drain(..n)) {
            *slot = byte;
        }
        Ok(n)
    }
    fn canceller(&self) -> Canceller {
        self.canceller.clone()
    }
}
