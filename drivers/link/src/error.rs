//! What can go wrong on a link.

use std::io;

/// A failed exchange or a failed opening.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LinkError {
    /// The deadline passed before the exchange was complete.
    #[error(
        "nothing came through before the deadline; check that the instrument is on, the baud rate and the cable"
    )]
    TimedOut,
    /// The other side is gone: unplugged, switched off, connection closed.
    #[error("the link hung up; check the cable and the instrument's power, then open it again")]
    HungUp,
    /// A [`crate::Canceller`] interrupted the exchange.
    #[error("the exchange was cancelled; clear the canceller before using the link again")]
    Cancelled,
    /// Whoever was asked right before the bytes left said no; none left.
    #[error("it was not sent: everything is being switched off, or nothing may be changed now")]
    Refused,
    /// The port exists but somebody else holds it.
    #[error("{port}: {reason}; {remedy}")]
    Busy {
        /// Port path or TCP address.
        port: String,
        /// What the operating system said.
        reason: String,
        /// What to do next.
        remedy: String,
    },
    /// The port could not be opened or set up.
    #[error("{port}: {reason}; {remedy}")]
    Open {
        /// Port path or TCP address.
        port: String,
        /// What the operating system said.
        reason: String,
        /// What to do next.
        remedy: String,
    },
    /// The operating system reported something else.
    #[error("{port}: {reason}; close the link and open it again")]
    Io {
        /// Port path or TCP address.
        port: String,
        /// The kind, for a caller that must decide.
        kind: io::ErrorKind,
        /// What the operating system said.
        reason: String,
    },
}

impl LinkError {
    /// Sorts an operating system error of a running exchange: an unplugged port reports EIO, ENODEV or
    /// ENXIO, a closed connection EPIPE or a reset.
    pub(crate) fn from_errno(port: &str, errno: rustix::io::Errno) -> LinkError {
        use rustix::io::Errno;
        match errno {
            Errno::IO
            | Errno::PIPE
            | Errno::CONNRESET
            | Errno::CONNABORTED
            | Errno::NODEV
            | Errno::NXIO
            | Errno::NOTCONN => LinkError::HungUp,
            other => {
                let error = io::Error::from(other);
                LinkError::Io { port: port.to_string(), kind: error.kind(), reason: error.to_string() }
            }
        }
    }
}
