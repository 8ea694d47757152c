//! Byte links to instruments.
//!
//! What the room is for: moving bytes to and from one instrument, with a deadline on every exchange and
//! a way to interrupt a blocked one. It knows nothing of messages, instruments or safety.
//!
//! Comes in: an [`Address`] (serial port, USB device or TCP host, under a name that survives replugging), then bytes to send. Goes out: the bytes received,
//! or a [`LinkError`] that tells time-out, hang-up and cancellation apart.
//!
//! Who may call it: the instruments room, the simulated bench and whoever opens ports for them. One
//! owner per link; only a [`Canceller`] may be shared. Linux only (poll and eventfd).
//!
//! Deadlines are instants on the link's own clock ([`Link::now`]), not lengths of time, so that one
//! deadline covers a whole exchange however the bytes dribble in.

mod address;
mod cancel;
mod channel;
mod choice;
mod error;
mod line;
mod pipe;
mod ports;
mod resolve;
mod serial;
mod tcp;
mod trace;
mod usb;
mod usbtmc;
mod virtual_time;

pub use address::{Address, open};
pub use cancel::Canceller;
pub use choice::SerialChoice;
pub use error::LinkError;
pub use line::{InputLine, ModemLine, OutputLine};
pub use pipe::{PipeLink, pipe};
pub use ports::{PortFound, PortKind, UsbIdentity, ports, ports_below};
pub use serial::{Flow, Parity, SerialLink, SerialSettings};
pub use tcp::TcpLink;
pub use trace::Traced;
pub use usb::UsbChoice;
pub use usbtmc::UsbTmcLink;
pub use virtual_time::{CallLink, Responder, VirtualClock};

use std::os::fd::BorrowedFd;
use std::time::Duration;

/// A blocking byte link with its own monotonic clock.
///
/// Every `deadline` is an instant on that clock. A deadline already past still lets through what can be
/// done at once. Cancellation wins over everything else.
pub trait Link: Send {
    /// What a person calls this link: the port path, the TCP address, the name of the pipe.
    fn label(&self) -> &str;

    /// Time since the link was opened, s; never goes back. Virtual for an in-process link.
    fn now(&self) -> Duration;

    /// Hands all of `bytes` to the operating system.
    ///
    /// # Errors
    /// `TimedOut` when the deadline passes first (some of the bytes may have left), `HungUp`,
    /// `Cancelled`, `Io`.
    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError>;

    /// The same, but asks `may` right before the first byte leaves, after all waiting for the port: what was allowed
    /// when the message was made may be forbidden by then.
    ///
    /// # Errors
    /// `Refused` when `may` said no, with nothing sent; those of [`Link::send`].
    fn send_if(
        &mut self,
        bytes: &[u8],
        deadline: Duration,
        may: &mut dyn FnMut() -> bool,
    ) -> Result<(), LinkError> {
        if may() { self.send(bytes, deadline) } else { Err(LinkError::Refused) }
    }

    /// Waits for bytes and returns how many were put into `buf` (at least 1; 0 only for an empty `buf`).
    ///
    /// # Errors
    /// `TimedOut` when none came by the deadline, `HungUp`, `Cancelled`, `Io`.
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError>;

    /// Throws away what arrives until nothing has come for `quiet`; returns how many bytes went.
    ///
    /// # Errors
    /// `TimedOut` when the other side was still talking at the deadline, `HungUp`, `Cancelled`, `Io`.
    fn drain(&mut self, quiet: Duration, deadline: Duration) -> Result<usize, LinkError> {
        let mut buf = [0u8; 4096];
        let mut thrown = 0;
        loop {
            let silent_at = self.now() + quiet;
            if silent_at > deadline {
                return Err(LinkError::TimedOut);
            }
            match self.receive(&mut buf, silent_at) {
                Ok(n) => thrown += n,
                Err(LinkError::TimedOut) => return Ok(thrown),
                Err(other) => return Err(other),
            }
        }
    }

    /// Forgets output the operating system holds but has not put on the wire, so that an OFF need not
    /// queue behind a message that is stuck. A link without such a queue does nothing.
    ///
    /// # Errors
    /// `HungUp`, `Io`.
    fn abandon(&mut self) -> Result<(), LinkError> {
        Ok(())
    }

    /// Says that the message sent last has an answer. A link on which a read asks the other side for bytes reads only
    /// then; any other does nothing.
    fn expects(&mut self) {}

    /// Sets the line up otherwise, without opening it again, which would raise its modem lines. A link without line
    /// settings does nothing.
    ///
    /// # Errors
    /// `Open` when the port can't take the settings.
    fn tune(&mut self, _settings: &SerialSettings) -> Result<(), LinkError> {
        Ok(())
    }

    /// A handle that interrupts this link from another thread.
    fn canceller(&self) -> Canceller;

    /// The descriptor bytes go through, for a watcher process that holds a duplicate of it. None for a
    /// link that lives inside the process.
    fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        None
    }
}

impl<L: Link + ?Sized> Link for Box<L> {
    fn label(&self) -> &str {
        (**self).label()
    }
    fn now(&self) -> Duration {
        (**self).now()
    }
    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        (**self).send(bytes, deadline)
    }
    fn send_if(
        &mut self,
        bytes: &[u8],
        deadline: Duration,
        may: &mut dyn FnMut() -> bool,
    ) -> Result<(), LinkError> {
        (**self).send_if(bytes, deadline, may)
    }
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        (**self).receive(buf, deadline)
    }
    fn drain(&mut self, quiet: Duration, deadline: Duration) -> Result<usize, LinkError> {
        (**self).drain(quiet, deadline)
    }
    fn abandon(&mut self) -> Result<(), LinkError> {
        (**self).abandon()
    }
    fn expects(&mut self) {
        (**self).expects();
    }
    fn tune(&mut self, settings: &SerialSettings) -> Result<(), LinkError> {
        (**self).tune(settings)
    }
    fn canceller(&self) -> Canceller {
        (**self).canceller()
    }
    fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        (**self).descriptor()
    }
}
