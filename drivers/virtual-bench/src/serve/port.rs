use std::collections::VecDeque;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Instant;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;

use super::Stop;
use super::pace::Pacer;
use super::terminal::Terminal;
use crate::faults::{Event, PortFaults, What};
use crate::instruments::{Role, Stand, VirtualInstrument};

/// Bytes that nobody takes for this long are lost, as on a wire, s.
const UNREAD_S: f64 = 2.0;
/// While this much is waiting to be sent no further message is executed.
const WAITING_BYTES_MAX: usize = 64 << 20;
/// While this much is waiting to be executed nothing more is read.
const INBOX_BYTES_MAX: usize = 64 << 10;
/// How often an instrument that waits for an operation is asked, s.
const WAITING_STEP_S: f64 = 1.0e-3;
/// How often an idle source or supply is looked after, s: their watchdogs may bite, and to look keeps the slow physics close
/// to the present.
const IDLE_STEP_S: f64 = 50.0e-3;
/// How often any other idle instrument is, s: nothing happens to it by itself, but its terminal must soon be open to the
/// next controller when one was killed.
const IDLE_STEP_S_MAX: f64 = 0.2;
/// A paced line is left alone for at least this long, s.
const PACE_STEP_S: f64 = 1.0e-3;
/// And for no longer, s.
const PACE_STEP_S_MAX: f64 = 16.0e-3;
/// So many bytes may pass before they are handed on, as adapters for USB do.
const PACE_BYTES: usize = 16_384;
/// How often a port is looked after that something may go wrong with, or whose instrument minds when bytes come, s.
const FAULT_STEP_S: f64 = 2.0e-3;

/// One instrument on its terminal.
pub(crate) struct Port {
    instrument: VirtualInstrument,
    stand: Arc<Stand>,
    /// `None` while the cable is off.
    terminal: Option<Terminal>,
    faults: PortFaults,
    /// When a cable that is off is back, s, and where to.
    returns: Option<(f64, Option<PathBuf>)>,
    blocked: bool,
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
        stand: Arc<Stand>,
        terminal: Terminal,
        pacers: Option<(Pacer, Pacer)>,
        faults: PortFaults,
        epoch: Instant,
    ) -> Self {
        Self {
            instrument,
            stand,
            terminal: Some(terminal),
            faults,
            returns: None,
            blocked: false,
            pacers,
            epoch,
            inbox: VecDeque::new(),
            outbox: VecDeque::new(),
            stuck_s: None,
        }
    }

    /// Serves until `stop` is raised.
    pub fn run(mut self, stop: &Stop) {
        while !stop.raised.load(Ordering::SeqCst) {
            if let Err(error) = self.turn(stop) {
                let role = self.instrument.role();
                let path = self.terminal.as_ref().map_or("none", Terminal::path);
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
        for event in self.faults.events(now_s) {
            self.happen(event, now_s)?;
        }
        self.come_back(now_s)?;
        self.receive(now_s)?;
        self.execute(now_s)?;
        self.send(now_s)?;
        if self.inbox.is_empty()
            && self.outbox.is_empty()
            && let Some(terminal) = &self.terminal
        {
            terminal.share()?;
        }
        self.wait(stop)
    }

    fn receive(&mut self, now_s: f64) -> io::Result<()> {
        if self.full() || self.blocked {
            return Ok(());
        }
        if self.is_held_off()? {
            // No byte passes meanwhile, so none has passed when it goes on.
            if let Some((pacer, _)) = self.pacers.as_mut() {
                pacer.rest();
            }
            return Ok(());
        }
        let Some(terminal) = &self.terminal else { return Ok(()) };
        let mut buf = [0_u8; 4096];
        let Some((pacer, _)) = self.pacers.as_mut() else {
            let count = terminal.read(&mut buf)?;
            self.take_in(buf.get(..count).unwrap_or_default())?;
            return Ok(());
        };
        if !pacer.busy() && !readable(terminal)? {
            return Ok(());
        }
        let passed = pacer.passed(now_s).min(buf.len());
        if passed == 0 {
            return Ok(());
        }
        let count = terminal.read(buf.get_mut(..passed).unwrap_or_default())?;
        pacer.take(count);
        if count < passed || !readable(terminal)? {
            pacer.rest();
        }
        self.take_in(buf.get(..count).unwrap_or_default())
    }

    /// Bytes as the instrument gets them: garbage where the controller's line has another speed.
    fn take_in(&mut self, bytes: &[u8]) -> io::Result<()> {
        let garbled = self.is_garbled()?;
        self.inbox.extend(bytes.iter().map(|byte| if garbled { garbage(*byte) } else { *byte }));
        Ok(())
    }

    /// Whether the controller's line waits for XON: what lies in the terminal has not left it then.
    fn is_held_off(&self) -> io::Result<bool> {
        match &self.terminal {
            Some(terminal) if self.instrument.is_stopped() => terminal.heeds_xoff(),
            _ => Ok(false),
        }
    }

    fn is_garbled(&self) -> io::Result<bool> {
        let own = self.instrument.manner().and_then(|manner| manner.line.baud);
        match (own, &self.terminal) {
            (Some(own), Some(terminal)) => Ok(terminal.baud()? != own),
            _ => Ok(false),
        }
    }

    fn full(&self) -> bool {
        self.outbox.len() > WAITING_BYTES_MAX || self.inbox.len() > INBOX_BYTES_MAX
    }

    /// Feeds the instrument line by line, so that a pile of queries cannot fill the memory with answers, and
    /// nothing while it waits for an operation, so that no input is lost for want of room.
    fn execute(&mut self, now_s: f64) -> io::Result<()> {
        if self.instrument.manner().is_some() {
            // Its own line decides what is lost; nothing is held back from it.
            let bytes: Vec<u8> = self.inbox.drain(..).collect();
            let mut said = self.instrument.handle(&bytes, now_s);
            if !said.is_empty() && self.is_garbled()? {
                said.iter_mut().for_each(|byte| *byte = garbage(*byte));
            }
            self.outbox.extend(said);
            return Ok(());
        }
        let said = self.instrument.handle(&[], now_s);
        self.say(said, now_s);
        let room = |port: &Self| port.outbox.len() <= WAITING_BYTES_MAX && !port.instrument.is_waiting();
        while !self.inbox.is_empty() && room(self) {
            let end = self.inbox.iter().position(|byte| *byte == b'\n').map(|at| at + 1);
            if end.is_none() && !self.faults.is_empty() {
                // Faults strike whole messages.
                return Ok(());
            }
            let line: Vec<u8> = self.inbox.drain(..end.unwrap_or(self.inbox.len())).collect();
            let passing = self.faults.message(&line, now_s);
            for event in passing.events {
                self.happen(event, now_s)?;
            }
            if !passing.lost {
                let said = self.instrument.handle(&line, now_s);
                self.say(said, now_s);
            }
        }
        self.outbox.extend(self.faults.arrived(now_s));
        Ok(())
    }

    fn say(&mut self, said: Vec<u8>, now_s: f64) {
        if self.faults.is_empty() {
            self.outbox.extend(said);
        } else {
            self.faults.say(said, now_s);
        }
    }

    fn happen(&mut self, event: Event, now_s: f64) -> io::Result<()> {
        tracing::info!(role = %self.instrument.role(), ?event, "a fault");
        let begins = matches!(event, Event::Begin(_));
        let (Event::Begin(what) | Event::End(what)) = event;
        match what {
            What::HangUp { returns_s, returns_as, .. } => {
                self.terminal = None;
                self.returns = returns_s.map(|returns_s| (now_s + returns_s, returns_as));
                self.lose_everything();
            }
            What::Reboot => {
                self.instrument.restart(now_s);
                self.lose_everything();
            }
            // What a hand does has no answer.
            What::FrontPanel { does } => {
                self.instrument.handle(format!("\n{does}\n").as_bytes(), now_s);
            }
            What::Blocked => {
                self.blocked = begins;
                if let Some(terminal) = &self.terminal {
                    terminal.block(begins)?;
                }
            }
            what => self
                .stand
                .change(now_s, |world| world.ail(|ailments| crate::faults::ail(ailments, &what, begins))),
        }
        Ok(())
    }

    fn lose_everything(&mut self) {
        self.faults.forget_answers();
        self.inbox.clear();
        self.outbox.clear();
        self.stuck_s = None;
    }

    fn come_back(&mut self, now_s: f64) -> io::Result<()> {
        let Some((_, name)) = self.returns.take_if(|(at_s, _)| now_s >= *at_s) else { return Ok(()) };
        let role = self.instrument.role();
        let terminal = Terminal::open(role).map_err(io::Error::other)?;
        if let Some(name) = &name {
            link(name, terminal.path())?;
        }
        let name = name.as_deref().unwrap_or(Path::new(terminal.path()));
        tracing::warn!(%role, port = %name.display(), "a port is back under another name");
        self.blocked = false;
        self.terminal = Some(terminal);
        Ok(())
    }

    fn send(&mut self, now_s: f64) -> io::Result<()> {
        let Some(terminal) = &self.terminal else {
            // Nobody hears it.
            self.outbox.clear();
            return Ok(());
        };
        while !self.outbox.is_empty() {
            let (ready, _) = self.outbox.as_slices();
            let due = match self.pacers.as_mut() {
                Some((_, pacer)) => pacer.passed(now_s).min(ready.len()),
                None => ready.len(),
            };
            if due == 0 {
                return Ok(());
            }
            let count = terminal.write(ready.get(..due).unwrap_or_default())?;
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
            if let Some(terminal) = &self.terminal {
                terminal.lose_unread()?;
            }
            if let Some((_, pacer)) = self.pacers.as_mut() {
                pacer.rest();
            }
        }
        Ok(())
    }

    fn wait(&self, stop: &Stop) -> io::Result<()> {
        let now_s = self.now_s();
        let mut timeout_s = match self.instrument.role() {
            Role::Source | Role::Supply => IDLE_STEP_S,
            Role::Load | Role::Digitizer | Role::Thermometer => IDLE_STEP_S_MAX,
        };
        if self.instrument.is_waiting() {
            let left_s = self.instrument.due_s().map_or(0.0, |due_s| due_s - now_s);
            timeout_s = left_s.clamp(WAITING_STEP_S, IDLE_STEP_S);
        }
        let timed = self.instrument.manner().is_some_and(|manner| manner.line.is_timed());
        if timed || !self.faults.is_empty() {
            timeout_s = timeout_s.min(FAULT_STEP_S);
        }
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
                    let bytes = self.outbox.len().min(PACE_BYTES);
                    let wait_s = outward.wait_s(now_s, bytes).clamp(PACE_STEP_S, PACE_STEP_S_MAX);
                    timeout_s = timeout_s.min(wait_s);
                }
            }
        }
        // Half a message waits for its rest in the inbox; the terminal is still read.
        if self.full() || self.blocked || self.is_held_off()? {
            interest -= PollFlags::IN;
        }
        let timeout = Timespec { tv_sec: 0, tv_nsec: (timeout_s * 1.0e9) as i64 };
        let mut fds = vec![PollFd::new(&stop.wake, PollFlags::IN)];
        if let Some(terminal) = &self.terminal {
            fds.push(PollFd::from_borrowed_fd(terminal.fd(), interest));
        }
        match poll(&mut fds, Some(&timeout)) {
            Ok(_) | Err(Errno::INTR) => Ok(()),
            Err(errno) => Err(errno.into()),
        }
    }
}

/// Makes or moves a symbolic link; a file that is none is left alone.
fn link(name: &Path, to: &str) -> io::Result<()> {
    if name.is_symlink() {
        std::fs::remove_file(name)?;
    }
    std::os::unix::fs::symlink(to, name)
}

/// What a byte looks like at another speed.
fn garbage(byte: u8) -> u8 {
    byte.rotate_left(3) | 0x80
}

fn readable(terminal: &Terminal) -> io::Result<bool> {
    let mut fds = [PollFd::from_borrowed_fd(terminal.fd(), PollFlags::IN)];
    match poll(&mut fds, Some(&Timespec { tv_sec: 0, tv_nsec: 0 })) {
        Ok(count) => Ok(count > 0),
        Err(Errno::INTR) => Ok(false),
        Err(errno) => Err(errno.into()),
    }
}
