use std::collections::VecDeque;
use std::io;
use std::sync::atomic::Ordering;
use std::time::Instant;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;

use super::Stop;
use super::pace::Pacer;
use super::terminal::Terminal;
use crate::instruments::VirtualInstrument;

/// Bytes that nobody takes for this long are lost, as on a wire, s.
const UNREAD_S: f64 = 2.0;
/// While this much is waiting to be sent no further message is executed.
const WAITING_BYTES_MAX: usize = 64 << 20;
/// While this much is waiting to be executed nothing more is read.
const INBOX_BYTES_MAX: usize = 64 << 10;
/// How often an instrument that waits for an operation is asked, s.
const WAITING_STEP_S: f64 = 1.0e-3;
/// How often an idle instrument is asked: keeps the slow physics close to the present, s.
const IDLE_STEP_S: f64 = 50.0e-3;
/// A paced line is looked after this often, s.
const PACE_STEP_S: f64 = 1.0e-3;

/// One instrument on its terminal.
pub(crate) struct Port {
    instrument: VirtualInstrument,
    terminal: Terminal,
    /// Speed of the line towards the instrument and away from it.
    pacers: Option<(Pacer, Pacer)>,
    epoch: Instant,
    /// Read, not executed yet.
    inbox: VecDeque<u8>,
    /// Said, not sent yet.
    outbox: VecDeque<u8>,
    /// Since when the terminal has taken nothing, s.
    stuck_s: Option<f64>,
}

impl Port {
    pub fn new(
        instrument: VirtualInstrument,
        terminal: Terminal,
        pacers: Option<(Pacer, Pacer)>,
        epoch: Instant,
    ) -> Self {
        let (inbox, outbox) = (VecDeque::new(), VecDeque::new());
        Self { instrument, terminal, pacers, epoch, inbox, outbox, stuck_s: None }
    }

    /// Serves until `stop` is raised.
    pub fn run(mut self, stop: &Stop) {
        while !stop.raised.load(Ordering::SeqCst) {
            if let Err(error) = self.turn(stop) {
                let (role, path) = (self.instrument.role(), self.terminal.path());
                tracing::error!(%role, path, %error, "a simulated instrument's port failed; restart the bench");
                return;
            }
        }
    }

    fn now_s(&self) -> f64 {
        self.epoch.elapsed().as_secs_f64()
    }

    /// One round: take what came, execute it, send what is due, wait.
    fn turn(&mut self, stop: &Stop) -> io::Result<()> {
        let now_s = self.now_s();
        self.receive(now_s)?;
        self.execute(now_s);
        self.send(now_s)?;
        if self.inbox.is_empty() && self.outbox.is_empty() {
            self.terminal.share()?;
        }
        self.wait(stop)
    }

    fn receive(&mut self, now_s: f64) -> io::Result<()> {
        if self.full() {
            return Ok(());
        }
        let mut buf = [0_u8; 4096];
        let Some((pacer, _)) = self.pacers.as_mut() else {
            let count = self.terminal.read(&mut buf)?;
            self.inbox.extend(buf.iter().take(count));
            return Ok(());
        };
        if !pacer.busy() && !readable(&self.terminal)? {
            return Ok(());
        }
        let passed = pacer.passed(now_s).min(buf.len());
        if passed == 0 {
            return Ok(());
        }
        let count = self.terminal.read(buf.get_mut(..passed).unwrap_or_default())?;
        self.inbox.extend(buf.iter().take(count));
        pacer.take(count);
        if count < passed || !readable(&self.terminal)? {
            pacer.rest();
        }
        Ok(())
    }

    fn full(&self) -> bool {
        self.outbox.len() > WAITING_BYTES_MAX || self.inbox.len() > INBOX_BYTES_MAX
    }

    /// Feeds the instrument line by line, so that a pile of queries cannot fill the memory with answers, and
    /// nothing while it waits for an operation, so that no input is lost for want of room.
    fn execute(&mut self, now_s: f64) {
        self.outbox.extend(self.instrument.handle(&[], now_s));
        let room = |port: &Self| port.outbox.len() <= WAITING_BYTES_MAX && !port.instrument.is_waiting();
        while !self.inbox.is_empty() && room(self) {
            let end = self.inbox.iter().position(|byte| *byte == b'\n').map_or(self.inbox.len(), |at| at + 1);
            let line: Vec<u8> = self.inbox.drain(..end).collect();
            self.outbox.extend(self.instrument.handle(&line, now_s));
        }
    }

    fn send(&mut self, now_s: f64) -> io::Result<()> {
        while !self.outbox.is_empty() {
            let (ready, _) = self.outbox.as_slices();
            let due = match self.pacers.as_mut() {
                Some((_, pacer)) => pacer.passed(now_s).min(ready.len()),
                None => ready.len(),
            };
            if due == 0 {
                return Ok(());
            }
            let count = self.terminal.write(ready.get(..due).unwrap_or_default())?;
            if count == 0 {
                return self.stuck(now_s);
            }
            self.stuck_s = None;
            self.outbox.drain(..count);
            if let Some((_, pacer)) = self.pacers.as_mut() {
                pacer.take(count);
            }
        }
        if let Some((_, pacer)) = self.pacers.as_mut() {
            pacer.rest();
        }
        Ok(())
    }

    /// The terminal is full: nobody reads. A serial line would have lost the bytes; so does this one, late.
    fn stuck(&mut self, now_s: f64) -> io::Result<()> {
        let since_s = *self.stuck_s.get_or_insert(now_s);
        if now_s - since_s > UNREAD_S {
            self.outbox = VecDeque::new();
            self.stuck_s = None;
            self.terminal.lose_unread()?;
            if let Some((_, pacer)) = self.pacers.as_mut() {
                pacer.rest();
            }
        }
        Ok(())
    }

    fn wait(&self, stop: &Stop) -> io::Result<()> {
        let now_s = self.now_s();
        let mut timeout_s = if self.instrument.is_waiting() { WAITING_STEP_S } else { IDLE_STEP_S };
        let mut interest = PollFlags::empty();
        match &self.pacers {
            None => {
                interest |= PollFlags::IN;
                if !self.outbox.is_empty() {
                    interest |= PollFlags::OUT;
                }
            }
            Some((inward, outward)) => {
                // Bytes passing wait for time, not for the terminal.
                if inward.busy() {
                    timeout_s = timeout_s.min(inward.wait_s(now_s, 1).max(PACE_STEP_S));
                } else {
                    interest |= PollFlags::IN;
                }
                if !self.outbox.is_empty() {
                    timeout_s = timeout_s.min(outward.wait_s(now_s, 1).max(PACE_STEP_S));
                }
            }
        }
        if self.full() {
            interest -= PollFlags::IN;
        }
        let timeout = Timespec { tv_sec: 0, tv_nsec: (timeout_s * 1.0e9) as i64 };
        let mut fds =
            [PollFd::from_borrowed_fd(self.terminal.fd(), interest), PollFd::new(&stop.wake, PollFlags::IN)];
        match poll(&mut fds, Some(&timeout)) {
            Ok(_) | Err(Errno::INTR) => Ok(()),
            Err(errno) => Err(errno.into()),
        }
    }
}

fn readable(terminal: &Terminal) -> io::Result<bool> {
    let mut fds = [PollFd::from_borrowed_fd(terminal.fd(), PollFlags::IN)];
    match poll(&mut fds, Some(&Timespec { tv_sec: 0, tv_nsec: 0 })) {
        Ok(count) => Ok(count > 0),
        Err(Errno::INTR) => Ok(false),
        Err(errno) => Err(errno.into()),
    }
}
