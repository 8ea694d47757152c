//! An in-process pair of links on the wall clock: what one sends the other receives.

use std::os::fd::{BorrowedFd, OwnedFd};
use std::os::unix::net::UnixStream;
use std::time::Duration;

use crate::channel::Channel;
use crate::{Canceller, Link, LinkError};

/// One end of an in-process pipe. Dropping it hangs the other end up.
#[derive(Debug)]
pub struct PipeLink {
    channel: Channel,
}

/// Two joined ends.
///
/// # Errors
/// `Open` when the process is out of descriptors.
pub fn pipe() -> Result<(PipeLink, PipeLink), LinkError> {
    let (a, b) = UnixStream::pair().map_err(|error| LinkError::Open {
        port: "pipe".to_string(),
        reason: error.to_string(),
        remedy: "raise the limit on open files (ulimit -n)".to_string(),
    })?;
    let a = Channel::new("pipe a".to_string(), OwnedFd::from(a))?;
    let b = Channel::new("pipe b".to_string(), OwnedFd::from(b))?;
    Ok((PipeLink { channel: a }, PipeLink { channel: b }))
}

impl Link for PipeLink {
    fn label(&self) -> &str {
        self.channel.label()
    }
    fn now(&self) -> Duration {
        self.channel.now()
    }
    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        self.channel.send(bytes, deadline)
    }
    fn send_if(
        &mut self,
        bytes: &[u8],
        deadline: Duration,
        may: &mut dyn FnMut() -> bool,
    ) -> Result<(), LinkError> {
        self.channel.send_if(bytes, deadline, may)
    }
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        self.channel.receive(buf, deadline)
    }
    fn canceller(&self) -> Canceller {
        self.channel.canceller()
    }
    fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        Some(self.channel.fd())
    }
}
