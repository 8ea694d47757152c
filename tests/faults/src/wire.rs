//! The link between a bench and a port, in virtual time.

use std::sync::Arc;
use std::time::Duration;

use wattproof_bench::Signal;
use wattproof_link::{Canceller, Link, LinkError};

use crate::fault::Kind;
use crate::log::shown;
use crate::port::Port;
use crate::site::Site;
use wattproof_turns::VirtualSignal;

/// Once in how many sends others go first.
const YIELDS_ONCE_IN: usize = 3;
/// How often a waiting instrument is looked after.
const WAITING_STEP: Duration = Duration::from_millis(4);

/// A link of one daemon to one port.
pub struct Wire {
    site: Arc<Site>,
    port: Arc<Port>,
    daemon: u64,
    changed: Arc<VirtualSignal>,
    canceller: Canceller,
    /// The descriptor has seen a hang-up and is good for nothing any more.
    hung: bool,
}

impl Wire {
    /// Opens the port for a daemon.
    ///
    /// # Errors
    /// `HungUp` while the port is gone.
    pub fn open(site: &Arc<Site>, port: &Arc<Port>, daemon: u64) -> Result<Wire, LinkError> {
        let changed = Arc::new(VirtualSignal::new(&site.scheduler));
        let waker = Arc::clone(&changed);
        let mut wire = Wire {
            site: Arc::clone(site),
            port: Arc::clone(port),
            daemon,
            changed,
            canceller: Canceller::calling(move || waker.raise()),
            hung: false,
        };
        wire.usable()?;
        Ok(wire)
    }

    fn usable(&mut self) -> Result<(), LinkError> {
        if self.canceller.is_cancelled() {
            return Err(LinkError::Cancelled);
        }
        let now = self.site.scheduler.now();
        if self.site.holds(Kind::HubReset, self.port.role).is_some() {
            self.port.wired().hang_up(now, now);
            self.hung = true;
        }
        if self.port.wired().is_gone(now) {
            self.hung = true;
        }
        if self.hung || self.site.is_dead(self.daemon) {
            return Err(LinkError::HungUp);
        }
        Ok(())
    }

    /// Waits for `until` or until something changes.
    fn wait_until(&self, until: Duration) {
        let length = until.saturating_sub(self.now());
        self.changed.wait(self.changed.seen(), Some(length));
    }
}

impl Link for Wire {
    fn label(&self) -> &str {
        self.port.role.name()
    }

    fn now(&self) -> Duration {
        self.site.scheduler.now()
    }

    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        self.send_if(bytes, deadline, &mut || true)
    }

    fn send_if(
        &mut self,
        bytes: &[u8],
        deadline: Duration,
        may: &mut dyn FnMut() -> bool,
    ) -> Result<(), LinkError> {
        self.site.scheduler.give_way(YIELDS_ONCE_IN);
        loop {
            self.usable()?;
            let Some(until) = self.site.holds(Kind::OutputBlocked, self.port.role) else { break };
            self.site.strike(self.port.role, &|kind| kind == Kind::OutputBlocked);
            if self.now() >= deadline {
                return Err(LinkError::TimedOut);
            }
            self.wait_until(until.min(deadline));
        }
        if crate::surroundings::die_if_due(&self.site) {
            return Err(LinkError::HungUp);
        }
        self.usable()?;
        if !may() {
            return Err(LinkError::Refused);
        }
        self.port.take(&self.site, bytes);
        Ok(())
    }

    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        loop {
            self.usable()?;
            self.port.poll(&self.site);
            let now = self.now();
            let mut wired = self.port.wired();
            let next = wired.coming.front().map(|piece| piece.at);
            if next.is_some_and(|at| at <= now)
                && let Some(mut piece) = wired.coming.pop_front()
            {
                let count = piece.bytes.len().min(buf.len());
                for (slot, byte) in buf.iter_mut().zip(piece.bytes.drain(..count)) {
                    *slot = byte;
                }
                let got = shown(buf.get(..count).unwrap_or_default());
                if piece.bytes.is_empty() {
                    drop(wired);
                    self.site.note(format!("{} -> {got}", self.port.role));
                    if let Some((question, answer)) = piece.ends {
                        self.site.checker().answered(now.as_secs_f64(), self.port.role, &question, &answer);
                    }
                } else {
                    wired.coming.push_front(piece);
                }
                if count == 0 {
                    // An empty piece only tells that the answer has ended.
                    continue;
                }
                return Ok(count);
            }
            if now >= deadline {
                return Err(LinkError::TimedOut);
            }
            let mut until = next.map_or(deadline, |at| at.min(deadline));
            if wired.is_waiting() {
                until = until.min(now + WAITING_STEP);
            }
            if let Some((from, _)) = wired.gone
                && from > now
            {
                until = until.min(from);
            }
            drop(wired);
            self.wait_until(until);
        }
    }

    fn canceller(&self) -> Canceller {
        self.canceller.clone()
    }
}
