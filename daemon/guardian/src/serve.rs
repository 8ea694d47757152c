//! The watch itself: orders, then heartbeats, then, perhaps, OFF.

use std::io::IoSliceMut;
use std::mem::MaybeUninit;
use std::os::fd::{BorrowedFd, OwnedFd};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::net::{RecvAncillaryBuffer, RecvAncillaryMessage, RecvFlags, ReturnFlags, recvmsg};

use crate::GuardianError;
use crate::claim::Claims;
use crate::off::Switches;
use crate::orders::{ORDERS_BYTES_MAX, PORTS_MAX, decode};
use crate::watch::{Reason, Watch};
use crate::wire::{FromDaemon, FromGuardian, Heard, Letter, Notes, hear, say};

/// How long orders may take to come.
const ORDERS_WITHIN: Duration = Duration::from_secs(5);
/// How long the last attempts may take before the process ends.
const LAST_WORDS: Duration = Duration::from_secs(2);

/// A port and what switches it off.
pub(crate) type Charge = (OwnedFd, Vec<u8>);

/// How a watch ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// The daemon said that everything is off and let the guardian go.
    Dismissed,
    /// The daemon was gone: everything was switched off.
    Fired,
}

/// Watches over the daemon at the other end of `socket` until it is gone or says goodbye. `settle` is called once
/// everything is started that will ever be, just before the guardian says that it is ready.
///
/// # Errors
/// [`GuardianError`] before the watch begins: nothing was written to any port.
pub fn serve(socket: BorrowedFd<'_>, settle: impl FnOnce() -> Notes) -> Result<Ended, GuardianError> {
    let (ports, silence_max) = orders(socket)?;
    let _claims = Claims::on(ports.iter().map(|(port, _)| port));
    let switches = Switches::ready(ports)?;
    let notes = settle();
    let started = Instant::now();
    let mut watch = Watch::new(silence_max, started.elapsed());
    let mut fired: Option<Reason> = None;
    say(socket, FromGuardian::Ready(notes).into());
    loop {
        let now = started.elapsed();
        let patience = watch.patience(now);
        wait(socket, patience);
        // Heartbeats that lie there count before the silence is judged.
        loop {
            let letter = match hear(socket) {
                Heard::Letter(letter) => letter,
                Heard::Nothing => break,
                Heard::End => {
                    switches.fire();
                    switches.finish(LAST_WORDS);
                    return Ok(Ended::Fired);
                }
            };
            match FromDaemon::read(letter) {
                Some(FromDaemon::Beat(number)) => {
                    watch.beat(started.elapsed());
                    say(socket, answer(fired, number));
                }
                Some(FromDaemon::Seen) => fired = None,
                Some(FromDaemon::Goodbye) => return Ok(Ended::Dismissed),
                // Not a word of ours: as good as silence.
                None => {}
            }
        }
        if patience.is_some_and(|patience| watch.judge(started.elapsed(), now + patience)) {
            fired = Some(Reason::DaemonSilent);
            switches.fire();
            say(socket, FromGuardian::Fired(Reason::DaemonSilent).into());
        }
    }
}

fn answer(fired: Option<Reason>, number: u64) -> Letter {
    fired.map_or(FromGuardian::Echo(number), FromGuardian::Fired).into()
}

/// Waits until the socket has something, at most for `patience`.
fn wait(socket: BorrowedFd<'_>, patience: Option<Duration>) {
    let timeout = patience.map(|patience| Timespec {
        tv_sec: i64::try_from(patience.as_secs()).unwrap_or(1),
        tv_nsec: i64::from(patience.subsec_nanos()),
    });
    let mut fds = [PollFd::from_borrowed_fd(socket, PollFlags::IN)];
    // Interrupted or failed, the socket is read next in any case.
    let _woken = poll(&mut fds, timeout.as_ref());
}

/// Receives the orders and the descriptors that come with them.
fn orders(socket: BorrowedFd<'_>) -> Result<(Vec<Charge>, Duration), GuardianError> {
    let mut fds = [PollFd::from_borrowed_fd(socket, PollFlags::IN)];
    let timeout = Timespec { tv_sec: ORDERS_WITHIN.as_secs() as i64, tv_nsec: 0 };
    poll(&mut fds, Some(&timeout)).map_err(GuardianError::system("waiting for orders"))?;
    let mut bytes = vec![0u8; ORDERS_BYTES_MAX];
    let mut space = [MaybeUninit::uninit(); rustix::cmsg_space!(ScmRights(PORTS_MAX))];
    let mut control = RecvAncillaryBuffer::new(&mut space);
    let received = recvmsg(
        socket,
        &mut [IoSliceMut::new(&mut bytes)],
        &mut control,
        RecvFlags::DONTWAIT | RecvFlags::CMSG_CLOEXEC,
    )
    .map_err(GuardianError::system("receiving orders"))?;
    if received.flags.intersects(ReturnFlags::TRUNC | ReturnFlags::CTRUNC) {
        return Err(GuardianError::Orders("more than fits, or more ports than may be open".into()));
    }
    let (offs, silence) = decode(bytes.get(..received.bytes).unwrap_or_default())?;
    let mut descriptors = Vec::new();
    for message in control.drain() {
        if let RecvAncillaryMessage::ScmRights(rights) = message {
            descriptors.extend(rights);
        }
    }
    if descriptors.len() != offs.len() {
        let what = format!("{} OFF messages for {} ports", offs.len(), descriptors.len());
        return Err(GuardianError::Orders(what));
    }
    Ok((descriptors.into_iter().zip(offs).collect(), silence))
}
