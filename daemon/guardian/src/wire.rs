//! Messages between daemon and guardian: nine bytes each on a socket that keeps messages apart.

use std::os::fd::BorrowedFd;

use rustix::io::Errno;
use rustix::net::{RecvFlags, SendFlags, recv, send};

use crate::watch::Reason;

/// What the daemon says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FromDaemon {
    /// The safety loop turns.
    Beat(u64),
    /// It knows that the guardian fired and has tripped.
    Seen,
    /// The bench is confirmed off: leave without firing.
    Goodbye,
}

/// What the guardian says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FromGuardian {
    /// It watches from now on.
    Ready(Notes),
    /// It lives; answers the heartbeat of that number.
    Echo(u64),
    /// It has fired; said in place of every echo until seen.
    Fired(Reason),
}

/// What the operating system did not grant the guardian, which then works with less protection.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Notes {
    /// It may be chosen when memory runs out.
    pub may_be_killed_for_memory: bool,
    /// It may be swapped out.
    pub may_be_swapped: bool,
    /// It has no precedence over other processes.
    pub no_precedence: bool,
    /// It has no real-time precedence, at most the ordinary one.
    pub no_real_time: bool,
}

impl Notes {
    fn bits(self) -> u64 {
        let flags =
            [self.may_be_killed_for_memory, self.may_be_swapped, self.no_precedence, self.no_real_time];
        flags.iter().enumerate().map(|(at, flag)| u64::from(*flag) << at).sum()
    }

    fn of_bits(bits: u64) -> Self {
        let flag = |at: u32| bits >> at & 1 == 1;
        Notes {
            may_be_killed_for_memory: flag(0),
            may_be_swapped: flag(1),
            no_precedence: flag(2),
            no_real_time: flag(3),
        }
    }
}

/// A message as bytes.
pub(crate) type Letter = [u8; 9];

fn letter(tag: u8, number: u64) -> Letter {
    let mut letter = [tag; 9];
    if let Some(tail) = letter.last_chunk_mut::<8>() {
        *tail = number.to_le_bytes();
    }
    letter
}

fn opened(letter: Letter) -> (u8, u64) {
    let [tag, number @ ..] = letter;
    (tag, u64::from_le_bytes(number))
}

impl From<FromDaemon> for Letter {
    fn from(said: FromDaemon) -> Letter {
        match said {
            FromDaemon::Beat(number) => letter(b'b', number),
            FromDaemon::Seen => letter(b's', 0),
            FromDaemon::Goodbye => letter(b'g', 0),
        }
    }
}

impl From<FromGuardian> for Letter {
    fn from(said: FromGuardian) -> Letter {
        match said {
            FromGuardian::Ready(notes) => letter(b'r', notes.bits()),
            FromGuardian::Echo(number) => letter(b'e', number),
            FromGuardian::Fired(Reason::DaemonGone) => letter(b'f', 0),
            FromGuardian::Fired(Reason::DaemonSilent) => letter(b'f', 1),
        }
    }
}

impl FromDaemon {
    pub(crate) fn read(letter: Letter) -> Option<Self> {
        match opened(letter) {
            (b'b', number) => Some(FromDaemon::Beat(number)),
            (b's', _) => Some(FromDaemon::Seen),
            (b'g', _) => Some(FromDaemon::Goodbye),
            _ => None,
        }
    }
}

impl FromGuardian {
    pub(crate) fn read(letter: Letter) -> Option<Self> {
        match opened(letter) {
            (b'r', bits) => Some(FromGuardian::Ready(Notes::of_bits(bits))),
            (b'e', number) => Some(FromGuardian::Echo(number)),
            (b'f', 0) => Some(FromGuardian::Fired(Reason::DaemonGone)),
            (b'f', _) => Some(FromGuardian::Fired(Reason::DaemonSilent)),
            _ => None,
        }
    }
}

/// What lay in the socket.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Heard {
    /// A message.
    Letter(Letter),
    /// Nothing now.
    Nothing,
    /// The other side is gone.
    End,
}

/// Takes one message without waiting. Whatever is no message of ours counts as the end: the socket is private.
pub(crate) fn hear(socket: BorrowedFd<'_>) -> Heard {
    let mut bytes = [0u8; 9];
    loop {
        match recv(socket, &mut bytes, RecvFlags::DONTWAIT) {
            Ok((9, 9)) => return Heard::Letter(bytes),
            Err(Errno::INTR) => {}
            Err(Errno::AGAIN) => return Heard::Nothing,
            Ok(_) | Err(_) => return Heard::End,
        }
    }
}

/// Says one message without waiting; false when the other side takes none.
pub(crate) fn say(socket: BorrowedFd<'_>, letter: Letter) -> bool {
    loop {
        match send(socket, &letter, SendFlags::DONTWAIT | SendFlags::NOSIGNAL) {
            Err(Errno::INTR) => {}
            sent => return sent == Ok(9),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_are_read_as_they_were_written() {
        for said in [FromDaemon::Beat(u64::MAX), FromDaemon::Seen, FromDaemon::Goodbye] {
            assert_eq!(FromDaemon::read(said.into()), Some(said));
        }
        let notes = Notes {
            may_be_killed_for_memory: true,
            may_be_swapped: false,
            no_precedence: true,
            no_real_time: false,
        };
        for said in [
            FromGuardian::Ready(notes),
            FromGuardian::Echo(7),
            FromGuardian::Fired(Reason::DaemonGone),
            FromGuardian::Fired(Reason::DaemonSilent),
        ] {
            assert_eq!(FromGuardian::read(said.into()), Some(said));
        }
        assert_eq!(FromDaemon::read([0; 9]), None);
    }
}
