//! The convenience instrument end: bytes in, commands executed on a device, reply bytes out.
//!
//! After a command error (−1xx) the rest of the message is not executed, because what it means is uncertain
//! (IEEE 488.2 6.1.6.1.1 leaves the choice); after an execution or device error the next unit is.

use crate::call::{Call, Command};
use crate::common::{BUILTINS, Builtin};
use crate::error::ScpiError;
use crate::message::{Cursor, MessageUnit};
use crate::response::Reply;
use crate::status::{ESR_OPC, Status};
use crate::stream::Splitter;
use crate::tree::{Tree, TreeError};

/// What an instrument behind an [`Interpreter`] must answer for.
pub trait Instrument {
    /// `*RST`: back to the reset settings. Outputs off, for anything that can hurt.
    fn reset(&mut self);

    /// Whether an overlapped operation is still running; `*OPC`, `*OPC?` and `*WAI` wait for it.
    fn pending(&self) -> bool {
        false
    }

    /// `*TST?`: 0 is passed.
    fn self_test(&mut self) -> i16 {
        0
    }

    /// The OPERation condition register now.
    fn operation(&self) -> u16 {
        0
    }

    /// The QUEStionable condition register now.
    fn questionable(&self) -> u16 {
        0
    }
}

/// Limits of an interpreter's memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Most bytes in one program message, and most bytes kept while an operation is waited for.
    pub message_bytes: usize,
    /// Entries in the error queue.
    pub error_queue: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self { message_bytes: 1 << 20, error_queue: 32 }
    }
}

/// A message whose execution has stopped for `*OPC?` or `*WAI`.
struct Waiting {
    message: Vec<u8>,
    cursor: Cursor,
    /// Whether `*OPC?` must still answer 1.
    answer: bool,
}

#[derive(Clone, Copy)]
enum Flow {
    Next,
    Skip,
    Wait { answer: bool },
}

/// The instrument end for a device `D`.
pub struct Interpreter<D> {
    idn: String,
    commands: Vec<Command<D>>,
    tree: Tree,
    /// The status structure; a device may raise errors here between messages.
    pub status: Status,
    splitter: Splitter,
    reply: Reply,
    waiting: Option<Waiting>,
    /// Input that came while waiting.
    backlog: Vec<u8>,
    /// Bytes at the start of the backlog that have been executed.
    backlog_done: usize,
    /// Whether the rest of a message that did not fit is still to be dropped.
    losing: bool,
    opc_armed: bool,
    limits: Limits,
}

impl<D: Instrument> Interpreter<D> {
    /// An interpreter with the usual limits. `idn` is the whole answer to `*IDN?`: maker, model, serial number,
    /// firmware level, joined by commas. A command of the instrument's own replaces a built-in one.
    ///
    /// # Errors
    /// A malformed pattern, or two that take the same header.
    pub fn new(idn: &str, commands: Vec<Command<D>>) -> Result<Self, TreeError> {
        Self::with_limits(idn, commands, Limits::default())
    }

    /// An interpreter with its own limits.
    ///
    /// # Errors
    /// As [`Interpreter::new`].
    pub fn with_limits(idn: &str, commands: Vec<Command<D>>, limits: Limits) -> Result<Self, TreeError> {
        let mut tree = Tree::default();
        for (id, command) in commands.iter().enumerate() {
            tree.insert(command.pattern, id)?;
        }
        for (i, (pattern, _)) in BUILTINS.iter().enumerate() {
            tree.insert_missing(pattern, commands.len() + i)?;
        }
        Ok(Self {
            idn: idn.to_owned(),
            commands,
            tree,
            status: Status::new(limits.error_queue),
            splitter: Splitter::new(limits.message_bytes),
            reply: Reply::default(),
            waiting: None,
            backlog: Vec::new(),
            backlog_done: 0,
            losing: false,
            opc_armed: false,
            limits,
        })
    }

    /// Executes every message that `bytes` completes, and gives the reply bytes ready so far.
    pub fn feed(&mut self, device: &mut D, bytes: &[u8]) -> Vec<u8> {
        self.settle(device);
        if self.waiting.is_none() {
            let mut input = self.after_loss(bytes);
            self.run(device, &mut input);
            self.keep(input);
        } else {
            self.keep(bytes);
        }
        self.reply.take()
    }

    /// Goes on with what waited for an operation, if that has ended; to be called whenever time has passed.
    pub fn poll(&mut self, device: &mut D) -> Vec<u8> {
        self.settle(device);
        self.reply.take()
    }

    /// Ends the message that was begun, as the interface's END message does where there is one.
    pub fn end(&mut self, device: &mut D) -> Vec<u8> {
        self.settle(device);
        if self.waiting.is_none()
            && let Some(message) = self.splitter.end()
        {
            self.accept(device, message);
        }
        self.reply.take()
    }

    /// Device clear: forgets input, output and what waits; status and settings stay.
    pub fn clear(&mut self) {
        self.splitter.clear();
        self.reply = Reply::default();
        self.waiting = None;
        self.backlog = Vec::new();
        self.backlog_done = 0;
        self.losing = false;
        self.opc_armed = false;
    }

    /// Whether a message waits for an operation to end.
    #[must_use]
    pub fn is_waiting(&self) -> bool {
        self.waiting.is_some()
    }

    /// Whether a message has begun and not ended.
    #[must_use]
    pub fn is_begun(&self) -> bool {
        self.splitter.is_begun()
    }

    /// Bytes of input held back.
    #[must_use]
    pub fn held_bytes(&self) -> usize {
        let waiting = self.waiting.as_ref().map_or(0, |w| w.message.capacity());
        self.splitter.held_bytes() + self.backlog.capacity() + waiting
    }

    /// Catches up with the device: conditions, `*OPC`, a waiting message, and the input behind it.
    fn settle(&mut self, device: &mut D) {
        self.observe(device);
        if device.pending() {
            return;
        }
        if let Some(waiting) = self.waiting.take() {
            if waiting.answer {
                self.reply.nr1(1);
                self.reply.end_unit();
            }
            self.execute(device, waiting.message, waiting.cursor);
        }
        if self.waiting.is_none() && !self.backlog.is_empty() {
            let mut backlog = std::mem::take(&mut self.backlog);
            let mut input = backlog.get(self.backlog_done..).unwrap_or_default();
            self.run(device, &mut input);
            self.backlog_done = backlog.len() - input.len();
            // Moved only once half is done, so that each byte moves once on average.
            if self.backlog_done * 2 >= backlog.len() {
                backlog.drain(..self.backlog_done);
                self.backlog_done = 0;
            }
            self.backlog = backlog;
        }
    }

    /// Takes over the device's conditions, and completes `*OPC`.
    fn observe(&mut self, device: &D) {
        self.status.operation.set_condition(device.operation());
        self.status.questionable.set_condition(device.questionable());
        if self.opc_armed && !device.pending() {
            self.opc_armed = false;
            self.status.set_events(ESR_OPC);
        }
    }

    /// Executes messages from `input` until it is used up or one must wait.
    fn run(&mut self, device: &mut D, input: &mut &[u8]) {
        while self.waiting.is_none() {
            match self.splitter.next(input) {
                Some(message) => self.accept(device, message),
                None => return,
            }
        }
    }

    /// Keeps input behind a waiting message. A message that does not fit is lost whole, with −363.
    fn keep(&mut self, input: &[u8]) {
        let mut input = self.after_loss(input);
        while !input.is_empty() {
            let held = self.backlog.len() - self.backlog_done;
            let room = self.limits.message_bytes.saturating_sub(held);
            let Some((fits, rest)) = input.split_at_checked(room).filter(|(_, rest)| !rest.is_empty()) else {
                self.backlog.extend_from_slice(input);
                return;
            };
            self.backlog.extend_from_slice(fits);
            let whole = self.backlog.iter().rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
            self.backlog.truncate(whole.max(self.backlog_done));
            self.losing = true;
            let info = "input came while an operation was waited for";
            self.status.report(ScpiError::with_info(-363, info));
            input = self.after_loss(rest);
        }
    }

    /// What of `input` comes after a message that is being lost.
    fn after_loss<'a>(&mut self, input: &'a [u8]) -> &'a [u8] {
        if !self.losing {
            return input;
        }
        match input.iter().position(|b| *b == b'\n') {
            Some(end) => {
                self.losing = false;
                input.get(end + 1..).unwrap_or_default()
            }
            None => &[],
        }
    }

    fn accept(&mut self, device: &mut D, message: Result<Vec<u8>, ScpiError>) {
        match message {
            Ok(message) => self.execute(device, message, Cursor::default()),
            Err(error) => self.status.report(error),
        }
    }

    fn execute(&mut self, device: &mut D, message: Vec<u8>, mut cursor: Cursor) {
        while let Some(unit) = cursor.next(&message) {
            self.observe(device);
            let flow = match unit {
                Ok(unit) => self.unit(device, &unit),
                Err(error) => Err(error.into()),
            };
            match flow {
                Ok(Flow::Next) => self.reply.end_unit(),
                Ok(Flow::Wait { answer }) => {
                    self.waiting = Some(Waiting { message, cursor, answer });
                    return;
                }
                Ok(Flow::Skip) => break,
                Err(error) => {
                    self.reply.drop_unit();
                    let command_error = (-199..=-100).contains(&error.number);
                    self.status.report(error);
                    if command_error {
                        break;
                    }
                }
            }
        }
        self.reply.end_message();
        self.observe(device);
    }

    fn unit(&mut self, device: &mut D, unit: &MessageUnit<'_>) -> Result<Flow, ScpiError> {
        if unit.query && self.reply.closed() {
            self.status.report(ScpiError::with_info(-440, unit.header()));
            return Ok(Flow::Skip);
        }
        let found = self
            .tree
            .lookup(&unit.path, unit.query)
            .ok_or_else(|| ScpiError::with_info(-113, unit.header()))?;
        let mut call = Call {
            suffixes: &found.suffixes,
            params: &unit.params,
            reply: &mut self.reply,
            status: &mut self.status,
            query: unit.query,
        };
        if let Some(command) = self.commands.get(found.id) {
            let (least, most) = (*command.params.start(), *command.params.end());
            check_count(unit, least, most)?;
            return (command.handler)(device, &mut call).map(|()| Flow::Next);
        }
        let builtin = found.id.checked_sub(self.commands.len()).and_then(|i| BUILTINS.get(i));
        let (_, builtin) = builtin.ok_or_else(|| ScpiError::with_info(-113, unit.header()))?;
        check_count(unit, builtin.params(), builtin.params())?;
        match builtin {
            Builtin::Cls => {
                self.status.clear();
                self.opc_armed = false;
            }
            Builtin::IdnQuery => self.reply.raw(&self.idn),
            Builtin::Opc => self.opc_armed = true,
            Builtin::OpcQuery if device.pending() => return Ok(Flow::Wait { answer: true }),
            Builtin::OpcQuery => self.reply.nr1(1),
            Builtin::Rst => {
                self.opc_armed = false;
                device.reset();
            }
            Builtin::TstQuery => self.reply.nr1(device.self_test().into()),
            Builtin::Wai if device.pending() => return Ok(Flow::Wait { answer: false }),
            Builtin::Wai => {}
            other => other.on_status(&mut call)?,
        }
        Ok(Flow::Next)
    }
}

fn check_count(unit: &MessageUnit<'_>, least: usize, most: usize) -> Result<(), ScpiError> {
    match unit.params.len() {
        n if n < least => Err(ScpiError::with_info(-109, unit.header())),
        n if n > most => Err(ScpiError::with_info(-108, unit.header())),
        _ => Ok(()),
    }
}
