//! One conversation with one instrument: one question at a time, and no answer taken for another's.
//!
//! A time-out, garbage or surplus bytes leave the session out of step: an answer may still be under way.
//! Before anything else is asked it then waits for silence and asks for a number that only a fresh answer can
//! hold (written to the event enable register, IEEE 488.2 10.10 and 10.11, which serves as the nonce).

mod echo;
mod queue;
mod step;

use std::time::Duration;

use wattproof_link::{Canceller, Link, LinkError};
use wattproof_scpi::ReaderError;

use crate::answer::{Answer, escaped};
use crate::error::{Context, Fault, InstrumentError};
use crate::framer::{Framer, Want};
use crate::operations::Effect;
use crate::settings::{Echo, Resync, SessionSettings};
use crate::wire::Wire;

/// Longest text answer, bytes. A block gets its expected size on top.
const ANSWER_BYTES_MAX: usize = 65_536;
/// Most that is kept as room for the next block, bytes.
const ROOM_BYTES_MAX: usize = 4 << 20;
/// What 9600 baud carry in frames of ten bits, less a margin, bytes/s.
const SLOW_BYTES_PER_S: f64 = 900.0;

/// Says whether a message with this effect may leave now. Asked right before its bytes leave, on the thread that sends.
pub type MaySend = Box<dyn Fn(Effect) -> bool + Send>;

/// One conversation with one instrument.
pub struct Session {
    link: Wire,
    name: String,
    settings: SessionSettings,
    in_step: bool,
    steps_lost: u64,
    nonce: u8,
    event_enable: u8,
    may_send: Option<MaySend>,
    /// An urgent message may still lie in the operating system: nothing may be flushed until an answer to what was sent
    /// after it has come.
    urgent_under_way: bool,
    /// The last urgent message was handed to the operating system whole.
    urgent_left: bool,
    /// The error queue may hold what a lost exchange caused, and was not looked at since.
    queue_owed: bool,
    /// The end of an echo that was not waited for.
    owed: Vec<u8>,
    /// Where the next block is put together.
    room: Vec<u8>,
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session")
            .field("name", &self.name)
            .field("port", &self.link.label())
            .field("in_step", &self.in_step)
            .field("steps_lost", &self.steps_lost)
            .finish_non_exhaustive()
    }
}

impl Session {
    /// A session that starts out of step, because what a freshly opened port holds is unknown.
    pub fn new(link: Box<dyn Link>, name: impl Into<String>, settings: SessionSettings) -> Session {
        Session {
            link: Wire::new(link, &settings),
            name: name.into(),
            settings,
            in_step: false,
            steps_lost: 0,
            nonce: 0,
            event_enable: 0,
            may_send: None,
            urgent_under_way: false,
            urgent_left: false,
            queue_owed: false,
            owed: Vec::new(),
            room: Vec::new(),
        }
    }

    /// Takes a block back that nobody needs any more, as room for the next: memory of this size is dear to get each time.
    pub(crate) fn take_back(&mut self, block: Vec<u8>) {
        if block.capacity() <= ROOM_BYTES_MAX {
            self.room = block;
        }
    }

    /// Asks `may_send` from now on before each message that is neither a question nor an OFF.
    pub fn ask_before_sending(&mut self, may_send: MaySend) {
        self.may_send = Some(may_send);
    }

    /// The name the bench file gives the instrument.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The port.
    pub fn port(&self) -> &str {
        self.link.label()
    }

    /// The link's clock.
    pub fn now(&self) -> Duration {
        self.link.now()
    }

    /// How the session behaves.
    pub fn settings(&self) -> &SessionSettings {
        &self.settings
    }

    /// Interrupts a blocked exchange from another thread.
    pub fn canceller(&self) -> Canceller {
        self.link.canceller()
    }

    /// The link below, for its descriptor.
    pub fn link(&self) -> &dyn Link {
        self.link.inner()
    }

    /// Whether the next answer can be trusted to belong to the next question.
    pub fn is_in_step(&self) -> bool {
        self.in_step
    }

    /// How often step was lost since the session began. What was believed of an output before is not known
    /// any more when this has grown.
    pub fn steps_lost(&self) -> u64 {
        self.steps_lost
    }

    /// Sends a message that has no answer.
    ///
    /// # Errors
    /// Link failures; what the instrument reports, when the error queue is read after each message.
    pub fn write(&mut self, message: &str) -> Result<(), InstrumentError> {
        self.write_with(message, Effect::Sets)
    }

    /// The same with a message that can do more than change a harmless setting.
    ///
    /// # Errors
    /// Those of [`Session::write`]; a link's `Refused` when the message may not leave now.
    pub(crate) fn write_with(&mut self, message: &str, effect: Effect) -> Result<(), InstrumentError> {
        self.ready()?;
        self.put(message, effect)?;
        self.check_each()
    }

    /// Asks a question within the session's time.
    ///
    /// # Errors
    /// Link failures, surplus bytes, echo; what the instrument reports, when the error queue is read after each
    /// message.
    pub fn query(&mut self, message: &str) -> Result<Answer, InstrumentError> {
        self.query_within(message, Duration::from_millis(self.settings.timeout_ms))
    }

    /// The same within a time of its own.
    ///
    /// # Errors
    /// Those of [`Session::query`].
    pub fn query_within(&mut self, message: &str, timeout: Duration) -> Result<Answer, InstrumentError> {
        self.query_telling(message, timeout, |_| ())
    }

    /// The same; `tell` hears the answer as soon as it is read, before the error queue is asked for.
    pub(crate) fn query_telling(
        &mut self,
        message: &str,
        timeout: Duration,
        tell: impl FnOnce(&Answer),
    ) -> Result<Answer, InstrumentError> {
        self.ready()?;
        let answer = self.exchange(message, timeout, Want::Line, ANSWER_BYTES_MAX)?;
        tell(&answer);
        self.check_each()?;
        Ok(answer)
    }

    /// The same for an answer of any kind, a block as well, of at most `limit_bytes`.
    ///
    /// # Errors
    /// Those of [`Session::query`].
    pub(crate) fn query_any(
        &mut self,
        message: &str,
        timeout: Duration,
        limit_bytes: usize,
    ) -> Result<Answer, InstrumentError> {
        self.ready()?;
        self.exchange(message, timeout, Want::Definite, limit_bytes)
    }

    /// Asks for a long line of some `expected_bytes`, and allows the time that they need at the slowest rate on top
    /// of `timeout`.
    ///
    /// # Errors
    /// Those of [`Session::query`].
    pub(crate) fn query_long(
        &mut self,
        message: &str,
        expected_bytes: usize,
        timeout: Duration,
    ) -> Result<Answer, InstrumentError> {
        self.ready()?;
        let (extra, limit) = self.room_for(expected_bytes);
        let answer = self.exchange(message, timeout.saturating_add(extra), Want::Line, limit)?;
        self.check_each()?;
        Ok(answer)
    }

    /// More time and most bytes for an answer of that size. A count of bytes is exact in a double; a rate that is no
    /// positive number allows no extra time.
    fn room_for(&self, expected_bytes: usize) -> (Duration, usize) {
        let extra_s = expected_bytes as f64 / self.settings.bytes_per_s.unwrap_or(SLOW_BYTES_PER_S);
        let extra = Duration::try_from_secs_f64(extra_s).unwrap_or_default();
        (extra, expected_bytes.saturating_add(ANSWER_BYTES_MAX))
    }

    /// Asks for an indefinite block of `expected_bytes` of payload; otherwise as [`Session::query_block`].
    ///
    /// # Errors
    /// Those of [`Session::query_block`].
    pub fn query_indefinite_block(
        &mut self,
        message: &str,
        expected_bytes: usize,
        timeout: Duration,
    ) -> Result<Vec<u8>, InstrumentError> {
        self.ready()?;
        let (extra, limit) = self.room_for(expected_bytes);
        let want = Want::Indefinite(expected_bytes);
        let answer = self.exchange(message, timeout.saturating_add(extra), want, limit)?;
        let payload = answer.into_indefinite_block()?;
        self.expect_size(message, expected_bytes, payload.len())?;
        self.check_each()?;
        Ok(payload)
    }

    fn expect_size(
        &self,
        message: &str,
        expected_bytes: usize,
        found_bytes: usize,
    ) -> Result<(), InstrumentError> {
        if found_bytes == expected_bytes {
            return Ok(());
        }
        Err(self.context(message).fault(Fault::BlockSize { expected_bytes, found_bytes }))
    }

    /// Asks for a definite block of `expected_bytes` of payload, and allows the time that they need at the
    /// slowest rate on top of `timeout`.
    ///
    /// # Errors
    /// Those of [`Session::query`]; `Malformed` when it is no definite block, `BlockSize` when it has another
    /// size.
    pub fn query_block(
        &mut self,
        message: &str,
        expected_bytes: usize,
        timeout: Duration,
    ) -> Result<Vec<u8>, InstrumentError> {
        self.ready()?;
        let (extra, limit) = self.room_for(expected_bytes);
        let answer = self.exchange(message, timeout.saturating_add(extra), Want::Definite, limit)?;
        let payload = answer.into_block()?;
        self.expect_size(message, expected_bytes, payload.len())?;
        self.check_each()?;
        Ok(payload)
    }

    /// Sends a message without asking whether the session is in step: forgets stuck output, ends whatever
    /// half message the instrument may hold, then sends. For OFF, which must never wait. Where step was lost, as by an
    /// exchange that was cancelled for this, it is looked for right behind the message, without waiting for silence
    /// first; where that does not succeed soon the session is out of step afterwards.
    ///
    /// # Errors
    /// Link failures.
    pub fn write_urgent(&mut self, messages: &[String]) -> Result<(), InstrumentError> {
        (self.urgent_under_way, self.urgent_left) = (false, false);
        if let Err(cause) = self.link.abandon() {
            tracing::warn!(instrument = self.name, port = self.link.label(), %cause, "stuck output was not flushed");
        }
        let end = self.settings.terminator.bytes();
        let mut bytes = end.to_vec();
        for message in messages {
            bytes.extend_from_slice(message.as_bytes());
            bytes.extend_from_slice(end);
        }
        let deadline = self.deadline(Duration::from_millis(self.settings.timeout_ms));
        self.link.send(&bytes, deadline).map_err(|cause| {
            self.lose_step("an urgent message was not sent");
            self.context(&messages.join("; ")).fault(Fault::Link { cause, partial: String::new() })
        })?;
        (self.urgent_under_way, self.urgent_left) = (true, true);
        if !self.in_step && self.settings.resync == Resync::Nonce && self.asks_in_one_message() {
            self.find_step_soon();
        }
        // OFF does not wait for its echo; the read-back does.
        self.owed = messages.last().map(|last| self.echo_of(last)).unwrap_or_default();
        Ok(())
    }

    /// Whether the last urgent message left whole, whatever came of it.
    pub(crate) fn urgent_left(&self) -> bool {
        self.urgent_left
    }

    /// The answer to a question behind an urgent message: the error queue is left for later.
    ///
    /// # Errors
    /// Those of [`Session::query`], but for what the instrument reports.
    pub fn query_urgent(&mut self, message: &str, timeout: Duration) -> Result<Answer, InstrumentError> {
        let owed = std::mem::take(&mut self.queue_owed);
        let answered =
            self.ready().and_then(|()| self.exchange(message, timeout, Want::Line, ANSWER_BYTES_MAX));
        self.queue_owed |= owed;
        self.urgent_under_way &= answered.is_err();
        answered
    }

    /// Writes the event enable register, which resynchronising also writes and restores.
    ///
    /// # Errors
    /// Those of [`Session::write`].
    pub fn set_event_enable(&mut self, bits: u8) -> Result<(), InstrumentError> {
        self.event_enable = bits;
        self.write(&format!("*ESE {bits}"))
    }

    /// Lets time pass, as after a message whose effect needs a while; bytes that come are surplus.
    pub(crate) fn pause(&mut self, pause: Duration) -> Result<(), InstrumentError> {
        let until = self.link.now() + pause;
        let mut byte = [0u8; 256];
        match self.link.receive(&mut byte, until) {
            Err(LinkError::TimedOut) => Ok(()),
            Ok(n) => {
                self.lose_step("bytes came though nothing was asked");
                let left = escaped(byte.get(..n).unwrap_or_default());
                Err(self.context("").fault(Fault::Surplus(left)))
            }
            Err(cause) => Err(self.failed("", cause, &[])),
        }
    }

    pub(crate) fn context(&self, message: &str) -> Context {
        Context {
            instrument: self.name.clone(),
            port: self.link.label().to_string(),
            message: message.to_string(),
        }
    }

    fn deadline(&self, timeout: Duration) -> Duration {
        self.link.now().saturating_add(timeout)
    }

    fn lose_step(&mut self, why: &str) {
        if self.in_step {
            self.steps_lost += 1;
        }
        self.in_step = false;
        tracing::warn!(instrument = self.name, port = self.link.label(), why, "out of step");
    }

    /// In step and nothing lying in the buffer that nobody asked for.
    fn ready(&mut self) -> Result<(), InstrumentError> {
        self.take_owed();
        if self.in_step {
            let mut buf = [0u8; 256];
            let now = self.link.now();
            match self.link.receive(&mut buf, now) {
                Err(LinkError::TimedOut) => {
                    if std::mem::take(&mut self.queue_owed) {
                        self.forget_queue();
                    }
                    return Ok(());
                }
                Ok(_) => self.lose_step("bytes lay there before anything was asked"),
                Err(cause) => return Err(self.failed("", cause, &[])),
            }
        }
        self.resynchronise()
    }

    fn put(&mut self, message: &str, effect: Effect) -> Result<(), InstrumentError> {
        self.take_owed();
        let mut bytes = message.as_bytes().to_vec();
        bytes.extend_from_slice(self.settings.terminator.bytes());
        let deadline = self.deadline(Duration::from_millis(self.settings.timeout_ms));
        let asked = self.may_send.as_ref().filter(|_| !matches!(effect, Effect::Asks | Effect::SwitchesOff));
        let sent = self.link.send_if(&bytes, deadline, &mut || asked.is_none_or(|may_send| may_send(effect)));
        match sent {
            Ok(()) => self.hear_echo(message, deadline),
            // Nothing left, so that nothing can have come out of step.
            Err(LinkError::Refused) => {
                let fault = Fault::Link { cause: LinkError::Refused, partial: String::new() };
                Err(self.context(message).fault(fault))
            }
            Err(cause) => Err(self.failed(message, cause, &[])),
        }
    }

    fn exchange(
        &mut self,
        message: &str,
        timeout: Duration,
        want: Want,
        limit_bytes: usize,
    ) -> Result<Answer, InstrumentError> {
        let deadline = self.deadline(timeout);
        self.put(message, Effect::Asks)?;
        self.link.expects();
        let bytes = self.collect(message, deadline, want, limit_bytes)?;
        if self.settings.echo == Echo::None && bytes.trim_ascii() == message.trim().as_bytes() {
            self.lose_step("echo");
            return Err(self.context(message).fault(Fault::Echo));
        }
        Ok(Answer::new(bytes, self.context(message)))
    }

    /// Collects one answer; anything after it makes the answer untrustworthy.
    fn collect(
        &mut self,
        message: &str,
        deadline: Duration,
        want: Want,
        limit_bytes: usize,
    ) -> Result<Vec<u8>, InstrumentError> {
        let room = if want == Want::Line { Vec::new() } else { std::mem::take(&mut self.room) };
        let mut reader = Framer::new(want, self.settings.answer_end, limit_bytes, room);
        let mut buf = vec![0u8; 16_384];
        let mut head = Vec::new();
        loop {
            let n = match self.link.receive(&mut buf, deadline) {
                Ok(n) => n,
                Err(cause) => return Err(self.failed(message, cause, &head)),
            };
            let mut input = buf.get(..n).unwrap_or_default();
            if head.len() < 200 {
                head.extend_from_slice(input.get(..200).unwrap_or(input));
            }
            match reader.next(&mut input) {
                None => {}
                Some(Err(ReaderError::TooLong { limit_bytes })) => {
                    self.lose_step("an answer did not end");
                    return Err(self.context(message).fault(Fault::TooLong { limit_bytes }));
                }
                Some(Ok(answer)) if input.is_empty() => return Ok(answer),
                Some(Ok(_)) => {
                    self.lose_step("more than one answer came");
                    return Err(self.context(message).fault(Fault::Surplus(escaped(input))));
                }
            }
        }
    }

    fn failed(&mut self, message: &str, cause: LinkError, partial: &[u8]) -> InstrumentError {
        self.lose_step("the exchange failed");
        self.context(message).fault(Fault::Link { cause, partial: escaped(partial) })
    }
}
