//! A raw TCP socket to an instrument or a serial server.

use std::net::{TcpStream, ToSocketAddrs};
use std::os::fd::{BorrowedFd, OwnedFd};
use std::time::Duration;

use crate::channel::Channel;
use crate::{Canceller, Link, LinkError};

/// How long one address may take to answer a connection.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(3);

/// A connected socket, without delayed small packets.
#[derive(Debug)]
pub struct TcpLink {
    channel: Channel,
}

impl TcpLink {
    /// Connects to `host:port`, trying each address the name resolves to, 3 s each.
    ///
    /// # Errors
    /// `Open` with what the operating system said of the last address tried.
    pub fn open(address: &str) -> Result<TcpLink, LinkError> {
        let refuse = |reason: String, remedy: &str| LinkError::Open {
            port: address.to_string(),
            reason,
            remedy: remedy.to_string(),
        };
        let resolved = address
            .to_socket_addrs()
            .map_err(|error| refuse(error.to_string(), "write it as host:port and check the name"))?;
        let mut last = None;
        for socket in resolved {
            match TcpStream::connect_timeout(&socket, CONNECT_TIMEOUT) {
                Ok(stream) => {
                    stream.set_nodelay(true).map_err(|error| {
                        refuse(error.to_string(), "the connection was lost at once: try again")
                    })?;
                    return Ok(TcpLink {
                        channel: Channel::new(address.to_string(), OwnedFd::from(stream))?,
                    });
                }
                Err(error) => last = Some(error.to_string()),
            }
        }
        let reason = last.unwrap_or_else(|| "the name has no address".to_string());
        Err(refuse(reason, "check that the instrument is on, reachable, and listens on that port"))
    }
}

impl Link for TcpLink {
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
