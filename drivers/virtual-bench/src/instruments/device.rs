use wattproof_scpi::status::Status;
use wattproof_scpi::{Command, Instrument, Interpreter, Limits};

use super::{BenchError, Role, mix};
use crate::manner::{Manner, Mannered};

/// A message begun is forgotten when nothing more of it came for this long, s: half a message, or a block
/// that garbage has announced, does not make the instrument deaf.
const UNFINISHED_S: f64 = 5.0;
/// Most bytes of one message; the longest sensible one has a few hundred.
const MESSAGE_BYTES_MAX: usize = 4096;

/// An instrument's state behind the interpreter.
pub(crate) trait Device: Instrument + Send {
    /// Tells the time, s, before anything is asked of it.
    fn at(&mut self, now_s: f64);

    /// When the operation that is pending ends at the earliest, s; `None` if it can't be foretold.
    fn due_s(&self) -> Option<f64> {
        None
    }
}

/// One simulated instrument: bytes and a time in, reply bytes out.
pub struct VirtualInstrument {
    role: Role,
    idn: String,
    body: Box<dyn Body>,
    manner: Option<Mannered>,
    now_s: f64,
}

impl VirtualInstrument {
    pub(crate) fn new<D: Device + 'static>(
        role: Role,
        seed: u64,
        device: D,
        commands: Vec<Command<D>>,
    ) -> Result<Self, BenchError> {
        let idn = format!("Wattproof,virtual-{role},{:08X},0.1", mix(seed, role as u64) as u32);
        let limits = Limits { message_bytes: MESSAGE_BYTES_MAX, ..Limits::default() };
        let interpreter = Interpreter::with_limits(&idn, commands, limits)?;
        let body = Wired { interpreter, device, last_byte_s: 0.0 };
        Ok(Self { role, idn, body: Box::new(body), manner: None, now_s: 0.0 })
    }

    /// What it does on the bench.
    pub fn role(&self) -> Role {
        self.role
    }

    /// Its answer to `*IDN?`.
    pub fn idn(&self) -> &str {
        &self.idn
    }

    /// The same instrument with this manner.
    #[must_use]
    pub fn with_manner(mut self, manner: Manner) -> Self {
        self.manner = Some(Mannered::new(manner));
        self
    }

    /// Its manner, if it has one of its own.
    pub fn manner(&self) -> Option<&Manner> {
        self.manner.as_ref().map(Mannered::manner)
    }

    /// Takes `bytes` that arrived at `now_s` (none: time has passed) and gives what it says by then.
    pub fn handle(&mut self, bytes: &[u8], now_s: f64) -> Vec<u8> {
        self.now_s = now_s;
        match &mut self.manner {
            Some(manner) => manner.handle(bytes, now_s, &mut *self.body),
            None => self.body.handle(bytes, now_s),
        }
    }

    /// Whether it has sent XOFF and no XON since: a line that heeds this sends nothing.
    pub fn is_stopped(&self) -> bool {
        self.manner.as_ref().is_some_and(Mannered::is_stopped)
    }

    /// Its mains come back after they were gone: settings and half messages lost, power-on event raised.
    pub fn restart(&mut self, now_s: f64) {
        self.body.restart(now_s);
        if let Some(manner) = &mut self.manner {
            manner.restart();
        }
    }

    /// True while a message waits for an operation to end, so that time passing may bring an answer.
    pub fn is_waiting(&self) -> bool {
        self.body.is_waiting() || self.manner.as_ref().is_some_and(|manner| manner.is_waiting(self.now_s))
    }

    /// When what a message waits for ends at the earliest, s: asking before then is in vain. `None` if it can't be foretold.
    pub fn due_s(&self) -> Option<f64> {
        match &self.manner {
            Some(manner) if manner.is_waiting(self.now_s) => None,
            _ => self.body.due_s(),
        }
    }
}

impl std::fmt::Debug for VirtualInstrument {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("VirtualInstrument").field("idn", &self.idn).finish_non_exhaustive()
    }
}

/// An instrument that speaks SCPI.
pub(crate) trait Body: Send {
    fn handle(&mut self, bytes: &[u8], now_s: f64) -> Vec<u8>;
    fn restart(&mut self, now_s: f64);
    fn is_waiting(&self) -> bool;
    fn due_s(&self) -> Option<f64>;
}

struct Wired<D> {
    interpreter: Interpreter<D>,
    device: D,
    last_byte_s: f64,
}

impl<D: Device> Body for Wired<D> {
    fn handle(&mut self, bytes: &[u8], now_s: f64) -> Vec<u8> {
        self.device.at(now_s);
        let silent = now_s - self.last_byte_s > UNFINISHED_S;
        // Also a message whose newline was swallowed by a string that a flipped bit has opened.
        if silent && self.interpreter.is_begun() && !self.interpreter.is_waiting() {
            self.interpreter.clear();
        }
        if bytes.is_empty() {
            return self.interpreter.poll(&mut self.device);
        }
        self.last_byte_s = now_s;
        self.interpreter.feed(&mut self.device, bytes)
    }

    fn restart(&mut self, now_s: f64) {
        self.device.at(now_s);
        self.interpreter.clear();
        self.interpreter.status = Status::new(Limits::default().error_queue);
        self.device.reset();
    }

    fn is_waiting(&self) -> bool {
        self.interpreter.is_waiting()
    }

    fn due_s(&self) -> Option<f64> {
        self.device.due_s()
    }
}
