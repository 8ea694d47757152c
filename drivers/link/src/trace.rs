//! A wrapper that logs what passes through a link.

use std::os::fd::BorrowedFd;
use std::time::Duration;

use crate::{Canceller, Link, LinkError, SerialSettings};

/// Longest piece of an exchange written into the log, bytes. A sample block has no place there.
const SHOWN_BYTES: usize = 200;

/// Logs every exchange of the link inside at trace level and every failure at debug level.
#[derive(Debug)]
pub struct Traced<L> {
    inner: L,
}

impl<L: Link> Traced<L> {
    /// Wraps a link.
    pub fn new(inner: L) -> Traced<L> {
        Traced { inner }
    }

    /// The link inside.
    pub fn into_inner(self) -> L {
        self.inner
    }
}

fn shown(bytes: &[u8]) -> String {
    match bytes.get(..SHOWN_BYTES) {
        Some(head) if bytes.len() > SHOWN_BYTES => {
            format!("{}… ({} bytes)", head.escape_ascii(), bytes.len())
        }
        _ => bytes.escape_ascii().to_string(),
    }
}

impl<L: Link> Link for Traced<L> {
    fn label(&self) -> &str {
        self.inner.label()
    }
    fn now(&self) -> Duration {
        self.inner.now()
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
        let outcome = self.inner.send_if(bytes, deadline, may);
        let (port, at_s) = (self.inner.label(), self.inner.now().as_secs_f64());
        match &outcome {
            Ok(()) => tracing::trace!(port, at_s, bytes = %shown(bytes), "sent"),
            Err(error) => tracing::debug!(port, at_s, bytes = %shown(bytes), %error, "not sent"),
        }
        outcome
    }
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        let outcome = self.inner.receive(buf, deadline);
        let (port, at_s) = (self.inner.label(), self.inner.now().as_secs_f64());
        match &outcome {
            Ok(n) => {
                tracing::trace!(port, at_s, bytes = %shown(buf.get(..*n).unwrap_or_default()), "received");
            }
            Err(error) => tracing::debug!(port, at_s, %error, "not received"),
        }
        outcome
    }
    fn drain(&mut self, quiet: Duration, deadline: Duration) -> Result<usize, LinkError> {
        let outcome = self.inner.drain(quiet, deadline);
        let port = self.inner.label();
        match &outcome {
            Ok(thrown) => tracing::trace!(port, thrown, "drained"),
            Err(error) => tracing::debug!(port, %error, "not drained"),
        }
        outcome
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
