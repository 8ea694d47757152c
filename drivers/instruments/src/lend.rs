//! One open link lent to several sessions, one after another: opening a port again would raise its modem lines again.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use wattproof_link::{Canceller, Link, LinkError, SerialSettings};

/// A link that can be lent.
pub(crate) struct Lender {
    label: String,
    link: Arc<Mutex<Box<dyn Link>>>,
    canceller: Canceller,
}

impl Lender {
    pub(crate) fn new(link: Box<dyn Link>) -> Lender {
        let (label, canceller) = (link.label().to_string(), link.canceller());
        Lender { label, link: Arc::new(Mutex::new(link)), canceller }
    }

    /// The same link for somebody else. Whoever had it before should be gone: the bytes are one stream.
    pub(crate) fn lend(&self) -> Lender {
        Lender { label: self.label.clone(), link: Arc::clone(&self.link), canceller: self.canceller.clone() }
    }

    fn link(&self) -> MutexGuard<'_, Box<dyn Link>> {
        self.link.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Link for Lender {
    fn label(&self) -> &str {
        &self.label
    }
    fn now(&self) -> Duration {
        self.link().now()
    }
    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        self.link().send(bytes, deadline)
    }
    fn send_if(
        &mut self,
        bytes: &[u8],
        deadline: Duration,
        may: &mut dyn FnMut() -> bool,
    ) -> Result<(), LinkError> {
        self.link().send_if(bytes, deadline, may)
    }
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        self.link().receive(buf, deadline)
    }
    fn abandon(&mut self) -> Result<(), LinkError> {
        self.link().abandon()
    }
    fn expects(&mut self) {
        self.link().expects();
    }
    fn tune(&mut self, settings: &SerialSettings) -> Result<(), LinkError> {
        self.link().tune(settings)
    }
    fn canceller(&self) -> Canceller {
        self.canceller.clone()
    }
}
