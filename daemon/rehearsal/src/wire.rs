//! The link between a rehearsed bench and one simulated instrument, in virtual time, as slow as the line it stands for.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use wattproof_bench::Signal;
use wattproof_link::{Canceller, Link, LinkError};
use wattproof_turns::{Scheduler, VirtualSignal};
use wattproof_virtual_bench::VirtualInstrument;

/// How often an instrument that will say something by itself is looked after.
const LOOK_AFTER: Duration = Duration::from_millis(4);
/// Bits that a byte takes on a line: with start and stop bit.
const BITS_PER_BYTE: f64 = 10.0;
/// Most bytes that arrive together.
const PIECE_BYTES: usize = 4096;

/// One instrument's port.
pub struct Port {
    name: &'static str,
    byte_s: f64,
    state: Mutex<State>,
}

struct State {
    instrument: VirtualInstrument,
    /// When each piece of an answer arrives.
    coming: VecDeque<(Duration, Vec<u8>)>,
    /// When the line is free again towards the controller.
    free: Duration,
}

impl Port {
    /// Of an instrument on a line of `baud` bits per second.
    pub fn new(instrument: VirtualInstrument, baud: u32) -> Self {
        let byte_s = BITS_PER_BYTE / f64::from(baud.max(1));
        let name = instrument.role().name();
        let state = State { instrument, coming: VecDeque::new(), free: Duration::ZERO };
        Port { name, byte_s, state: Mutex::new(state) }
    }

    /// Its name in the bench file of the rehearsal.
    pub fn name(&self) -> &'static str {
        self.name
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Gives bytes to the instrument, now, and sends what it says on its way.
    fn take(&self, now: Duration, bytes: &[u8]) {
        let mut state = self.state();
        let said = state.instrument.handle(bytes, now.as_secs_f64());
        for piece in said.chunks(PIECE_BYTES) {
            let at = state.free.max(now) + Duration::from_secs_f64(self.byte_s * piece.len() as f64);
            state.free = at;
            state.coming.push_back((at, piece.to_vec()));
        }
    }
}

/// A link to a port.
pub struct Wire {
    scheduler: Arc<Scheduler>,
    port: Arc<Port>,
    changed: Arc<VirtualSignal>,
    canceller: Canceller,
}

impl Wire {
    /// To a port.
    pub fn to(scheduler: &Arc<Scheduler>, port: &Arc<Port>) -> Self {
        let changed = Arc::new(VirtualSignal::new(scheduler));
        let waker = Arc::clone(&changed);
        let canceller = Canceller::calling(move || waker.raise());
        Wire { scheduler: Arc::clone(scheduler), port: Arc::clone(port), changed, canceller }
    }

    fn usable(&self) -> Result<(), LinkError> {
        if self.canceller.is_cancelled() { Err(LinkError::Cancelled) } else { Ok(()) }
    }
}

impl Link for Wire {
    fn label(&self) -> &str {
        self.port.name
    }

    fn now(&self) -> Duration {
        self.scheduler.now()
    }

    fn send(&mut self, bytes: &[u8], _: Duration) -> Result<(), LinkError> {
        self.usable()?;
        self.port.take(self.now(), bytes);
        Ok(())
    }

    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        loop {
            self.usable()?;
            let now = self.now();
            let mut state = self.port.state();
            if state.instrument.is_waiting() {
                drop(state);
                self.port.take(now, &[]);
                state = self.port.state();
            }
            if let Some((at, piece)) = state.coming.front_mut()
                && *at <= now
            {
                let count = piece.len().min(buf.len());
                for (slot, byte) in buf.iter_mut().zip(piece.drain(..count)) {
                    *slot = byte;
                }
                if piece.is_empty() {
                    state.coming.pop_front();
                }
                return Ok(count);
            }
            if now >= deadline {
                return Err(LinkError::TimedOut);
            }
            let next = state.coming.front().map(|(at, _)| *at);
            let again = state.instrument.is_waiting().then(|| now + LOOK_AFTER);
            drop(state);
            let until = [Some(deadline), next, again].into_iter().flatten().min().unwrap_or(deadline);
            self.changed.wait(self.changed.seen(), Some(until.saturating_sub(now)));
        }
    }

    fn canceller(&self) -> Canceller {
        self.canceller.clone()
    }
}
