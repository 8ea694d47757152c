//! A link used as one instrument can bear it: not faster than it listens, and with room for what it says meanwhile.

use std::collections::VecDeque;
use std::os::fd::BorrowedFd;
use std::time::Duration;

use wattproof_link::{Canceller, Link, LinkError, SerialSettings};

use crate::settings::SessionSettings;

/// A link with a pace.
pub(crate) struct Wire {
    inner: Box<dyn Link>,
    gap: Duration,
    byte_gap: Duration,
    /// Came while a pause was kept; nobody has taken it yet.
    early: VecDeque<u8>,
    /// The last byte in either direction.
    busy_until: Option<Duration>,
}

impl Wire {
    pub(crate) fn new(inner: Box<dyn Link>, settings: &SessionSettings) -> Wire {
        Wire {
            inner,
            gap: Duration::from_millis(settings.gap_ms),
            byte_gap: Duration::try_from_secs_f64(settings.byte_ms / 1000.0).unwrap_or_default(),
            early: VecDeque::new(),
            busy_until: None,
        }
    }

    /// The link without the pace.
    pub(crate) fn inner(&self) -> &dyn Link {
        &*self.inner
    }

    /// Lets time pass until then, and keeps what comes. A link that can't be read ends the pause, not the message: an OFF
    /// must still be tried, and what is wrong is told by whoever sends or reads next.
    fn idle_until(&mut self, until: Duration) -> Result<(), LinkError> {
        let mut buf = [0u8; 256];
        while self.inner.now() < until {
            match self.inner.receive(&mut buf, until) {
                Ok(n) => self.early.extend(buf.iter().take(n)),
                Err(LinkError::TimedOut) => {}
                Err(LinkError::Cancelled) => return Err(LinkError::Cancelled),
                Err(_) => break,
            }
        }
        Ok(())
    }
}

impl Link for Wire {
    fn label(&self) -> &str {
        self.inner.label()
    }

    fn now(&self) -> Duration {
        self.inner.now()
    }

    /// The deadline is for each piece that leaves: the pauses come on top.
    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        self.send_if(bytes, deadline, &mut || true)
    }

    /// `may` is asked for the first byte: half a number is another number.
    fn send_if(
        &mut self,
        bytes: &[u8],
        deadline: Duration,
        may: &mut dyn FnMut() -> bool,
    ) -> Result<(), LinkError> {
        if let Some(since) = self.busy_until.filter(|_| !self.gap.is_zero()) {
            self.idle_until(since.saturating_add(self.gap))?;
        }
        if self.byte_gap.is_zero() {
            self.inner.send_if(bytes, deadline, may)?;
        } else {
            for (index, byte) in bytes.iter().enumerate() {
                let sent = self.inner.now();
                self.inner.send_if(&[*byte], deadline.max(sent), &mut || index > 0 || may())?;
                self.idle_until(sent.saturating_add(self.byte_gap))?;
            }
        }
        self.busy_until = Some(self.inner.now());
        Ok(())
    }

    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        if !self.early.is_empty() && !buf.is_empty() {
            let n = self.early.len().min(buf.len());
            for (slot, byte) in buf.iter_mut().zip(self.early.drain(..n)) {
                *slot = byte;
            }
            return Ok(n);
        }
        let n = self.inner.receive(buf, deadline)?;
        self.busy_until = Some(self.inner.now());
        Ok(n)
    }

    fn drain(&mut self, quiet: Duration, deadline: Duration) -> Result<usize, LinkError> {
        let early = self.early.len();
        self.early.clear();
        Ok(early + self.inner.drain(quiet, deadline)?)
    }

    fn abandon(&mut self) -> Result<(), LinkError> {
        self.inner.abandon()
    }

    fn expects(&mut self) {
        self.inner.expects();
    }

    fn tune(&mut self, settings: &SerialSettings) -> Result<(), LinkError> {
        self.inner.tune(settings)
    }

    fn canceller(&self) -> Canceller {
        self.inner.canceller()
    }

    fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        self.inner.descriptor()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::{Arc, Mutex};
    use wattproof_link::{CallLink, VirtualClock};

    #[test]
    fn bytes_leave_one_by_one_and_messages_keep_their_distance() {
        let heard: Arc<Mutex<Vec<(u8, u128)>>> = Arc::default();
        let noted = heard.clone();
        let responder = Box::new(move |bytes: &[u8], at: Duration| {
            noted.lock().unwrap().extend(bytes.iter().map(|byte| (*byte, at.as_micros())));
            bytes.to_vec()
        });
        let link = CallLink::polled("a", VirtualClock::new(), Duration::from_millis(1), responder);
        let settings = SessionSettings { byte_ms: 2.5, gap_ms: 20, ..SessionSettings::default() };
        let mut wire = Wire::new(Box::new(link), &settings);
        wire.send(b"AB", Duration::from_secs(1)).unwrap();
        wire.send(b"C", Duration::from_secs(1)).unwrap();
        assert_eq!(*heard.lock().unwrap(), [(b'A', 0), (b'B', 2_500), (b'C', 25_000)]);
        // What came during the pauses is not lost.
        let mut buf = [0u8; 8];
        assert_eq!(wire.receive(&mut buf, Duration::from_secs(1)).unwrap(), 3);
        assert_eq!(&buf[..3], b"ABC");
    }

    /// Takes bytes and can't be read.
    struct Deaf {
        took: Arc<Mutex<Vec<u8>>>,
        canceller: Canceller,
    }

    impl Link for Deaf {
        fn label(&self) -> &str {
            "deaf"
        }

        fn now(&self) -> Duration {
            Duration::from_secs(1)
        }

        fn send(&mut self, bytes: &[u8], _: Duration) -> Result<(), LinkError> {
            self.took.lock().unwrap().extend_from_slice(bytes);
            Ok(())
        }

        fn receive(&mut self, _: &mut [u8], _: Duration) -> Result<usize, LinkError> {
            Err(LinkError::HungUp)
        }

        fn abandon(&mut self) -> Result<(), LinkError> {
            Ok(())
        }

        fn canceller(&self) -> Canceller {
            self.canceller.clone()
        }
    }

    /// The project's own rule: OFF is tried on every link that takes it.
    #[test]
    fn a_message_leaves_whole_over_a_link_that_cannot_be_read() {
        let took: Arc<Mutex<Vec<u8>>> = Arc::default();
        let usual =
            CallLink::polled("a", VirtualClock::new(), Duration::from_millis(1), Box::new(|b, _| b.to_vec()));
        let deaf = Deaf { took: took.clone(), canceller: usual.canceller() };
        let settings = SessionSettings { byte_ms: 2.5, gap_ms: 20, ..SessionSettings::default() };
        let mut wire = Wire::new(Box::new(deaf), &settings);
        wire.send(b"\n", Duration::from_secs(2)).unwrap();
        wire.send(b"OUTP OFF\n", Duration::from_secs(2)).unwrap();
        assert_eq!(*took.lock().unwrap(), b"\nOUTP OFF\n");
    }
}
