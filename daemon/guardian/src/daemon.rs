//! The daemon's end: starts the guardian, tells it that the safety loop turns, hears whether it lives.

use std::ffi::OsString;
use std::io::IoSlice;
use std::mem::MaybeUninit;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::process::CommandExt;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::net::{
    AddressFamily, SendAncillaryBuffer, SendAncillaryMessage, SendFlags, SocketFlags, SocketType, sendmsg,
    socketpair,
};

use crate::GuardianError;
use crate::orders::{PORTS_MAX, PortOrder, Timing, encode};
use crate::watch::Reason;
use crate::wire::{FromDaemon, FromGuardian, Heard, Notes, hear, say};

/// How long a guardian may take to say that it is ready.
const READY_WITHIN: Duration = Duration::from_secs(5);
/// How long one that was let go may take to end.
const LEAVE_WITHIN: Duration = Duration::from_secs(2);

/// How to start a guardian: this program again, with words that make it one.
#[derive(Debug, Clone)]
pub struct GuardianProgram {
    path: PathBuf,
    words: Vec<OsString>,
}

impl GuardianProgram {
    /// A program and its arguments.
    pub fn new(path: impl Into<PathBuf>, words: &[&str]) -> Self {
        GuardianProgram { path: path.into(), words: words.iter().map(OsString::from).collect() }
    }

    /// The running program itself, even when its file was replaced meanwhile.
    pub fn this(words: &[&str]) -> Self {
        Self::new("/proc/self/exe", words)
    }
}

/// What the daemon must answer with a trip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lost {
    /// It has ended.
    Gone,
    /// It does not answer.
    Silent,
    /// It has fired and lives: what was on is off now, and what was believed is void.
    Fired(Reason),
}

impl std::fmt::Display for Lost {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Lost::Gone => {
                f.write_str("the guardian process has ended: nobody would switch off after a crash")
            }
            Lost::Silent => {
                f.write_str("the guardian process does not answer: nobody would switch off after a crash")
            }
            Lost::Fired(reason) => write!(f, "the guardian switched everything off because {reason}"),
        }
    }
}

/// A guardian on watch. Dropping it without [`Guardian::dismiss`] makes it fire.
#[derive(Debug)]
pub struct Guardian {
    socket: OwnedFd,
    child: Child,
    notes: Notes,
    answer_max: Duration,
    sent: u64,
    unanswered_since: Option<Instant>,
}

impl Guardian {
    /// Starts `program`, hands it the ports and waits until it watches.
    ///
    /// # Errors
    /// [`GuardianError`]; nothing was written to any port.
    pub fn start(
        program: &GuardianProgram,
        ports: &[PortOrder<'_>],
        timing: Timing,
    ) -> Result<Self, GuardianError> {
        let orders = encode(ports, timing)?;
        let (ours, theirs) =
            socketpair(AddressFamily::UNIX, SocketType::SEQPACKET, SocketFlags::CLOEXEC, None)
                .map_err(GuardianError::system("making a socket pair"))?;
        // What this process was itself started with must not live on in the guardian.
        close_fds::set_fds_cloexec_threadsafe(3, &[]);
        let child = Command::new(&program.path)
            .arg0("wattproof-guardian")
            .args(&program.words)
            .stdin(Stdio::from(theirs))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|source| GuardianError::System { doing: "starting its process", source })?;
        let mut guardian = Guardian {
            socket: ours,
            child,
            notes: Notes::default(),
            answer_max: timing.answer_max,
            sent: 0,
            unanswered_since: None,
        };
        guardian.hand_over(&orders, ports)?;
        guardian.await_ready()?;
        Ok(guardian)
    }

    fn hand_over(&self, orders: &[u8], ports: &[PortOrder<'_>]) -> Result<(), GuardianError> {
        let descriptors: Vec<BorrowedFd<'_>> = ports.iter().map(|port| port.descriptor).collect();
        let mut space = [MaybeUninit::uninit(); rustix::cmsg_space!(ScmRights(PORTS_MAX))];
        let mut control = SendAncillaryBuffer::new(&mut space);
        if !control.push(SendAncillaryMessage::ScmRights(&descriptors)) {
            return Err(GuardianError::Orders(format!("{} descriptors do not fit", descriptors.len())));
        }
        let sent = sendmsg(&self.socket, &[IoSlice::new(orders)], &mut control, SendFlags::NOSIGNAL);
        sent.map_err(GuardianError::system("handing over the ports"))?;
        Ok(())
    }

    fn await_ready(&mut self) -> Result<(), GuardianError> {
        let until = Instant::now() + READY_WITHIN;
        let refuse = |seen| GuardianError::NotReady { waited_s: READY_WITHIN.as_secs_f64(), seen };
        loop {
            match hear(self.socket.as_fd()) {
                Heard::Letter(letter) => {
                    return match FromGuardian::read(letter) {
                        Some(FromGuardian::Ready(notes)) => {
                            self.notes = notes;
                            Ok(())
                        }
                        _ => Err(refuse("it said something else")),
                    };
                }
                Heard::End => return Err(refuse("its process ended")),
                Heard::Nothing => {
                    let left = until.saturating_duration_since(Instant::now());
                    if left.is_zero() {
                        return Err(refuse("it was silent"));
                    }
                    self.wait(left);
                }
            }
        }
    }

    /// What the operating system did not grant it.
    pub fn notes(&self) -> Notes {
        self.notes
    }

    /// Its process.
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// Says that the safety loop turns. Never waits.
    pub fn beat(&mut self) {
        self.sent += 1;
        // What can't be said because nobody takes it shows as an answer that fails to come.
        say(self.socket.as_fd(), FromDaemon::Beat(self.sent).into());
        self.unanswered_since.get_or_insert_with(Instant::now);
    }

    /// Hears what the guardian has to say, waiting at most for `patience`.
    ///
    /// # Errors
    /// [`Lost`]: trip, now.
    pub fn hear(&mut self, patience: Duration) -> Result<(), Lost> {
        self.wait(patience);
        loop {
            match hear(self.socket.as_fd()) {
                Heard::Nothing => break,
                Heard::End => return Err(Lost::Gone),
                Heard::Letter(letter) => match FromGuardian::read(letter) {
                    Some(FromGuardian::Echo(number)) if number == self.sent => self.unanswered_since = None,
                    // An answer to an earlier heartbeat is a sign of life too.
                    Some(FromGuardian::Echo(_)) => {
                        self.unanswered_since = self.unanswered_since.map(|_| Instant::now());
                    }
                    Some(FromGuardian::Fired(reason)) => {
                        self.unanswered_since = None;
                        return Err(Lost::Fired(reason));
                    }
                    Some(FromGuardian::Ready(_)) | None => return Err(Lost::Silent),
                },
            }
        }
        let silent = self.unanswered_since.is_some_and(|since| since.elapsed() > self.answer_max);
        if silent { Err(Lost::Silent) } else { Ok(()) }
    }

    fn wait(&self, patience: Duration) {
        let timeout = Timespec {
            tv_sec: i64::try_from(patience.as_secs()).unwrap_or(1),
            tv_nsec: i64::from(patience.subsec_nanos()),
        };
        let mut fds = [PollFd::new(&self.socket, PollFlags::IN)];
        // Interrupted or failed, the socket is read next in any case.
        let _woken = poll(&mut fds, Some(&timeout));
    }

    /// Tells the guardian that the daemon has tripped because it fired; until then it repeats itself.
    pub fn seen(&self) {
        say(self.socket.as_fd(), FromDaemon::Seen.into());
    }

    /// Lets it go without firing: only when every output is confirmed off. Returns when it has ended and its
    /// duplicates of the ports are closed; one that does not end in time is killed.
    pub fn dismiss(mut self) {
        say(self.socket.as_fd(), FromDaemon::Goodbye.into());
        self.reap();
    }

    /// Makes it fire by leaving, and waits until it has ended.
    pub fn leave(self) {
        let Guardian { socket, mut child, .. } = self;
        drop(socket);
        reap(&mut child);
    }

    fn reap(&mut self) {
        reap(&mut self.child);
    }
}

fn reap(child: &mut Child) {
    let until = Instant::now() + LEAVE_WITHIN;
    // A child that can't be asked is no longer there.
    while matches!(child.try_wait(), Ok(None)) {
        if Instant::now() > until {
            // Its outputs are off, or it is stuck and can't do more: either way it is of no more use.
            let _killed = child.kill().and_then(|()| child.wait());
            return;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
}
