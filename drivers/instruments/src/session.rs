//! One conversation with one instrument: one question at a time, and no answer taken for another's.
//!
//! A time-out, garbage or surplus bytes leave the session out of step: an answer may still be under way.
//! Before anything else is asked it then waits for silence and asks for a number that only a fresh answer can
//! hold (written to the event enable register, IEEE 488.2 10.10 and 10.11, which serves as the nonce).

use std::time::Duration;

use wattproof_link::{Canceller, Link, LinkError};
use wattproof_scpi::ReaderError;

use crate::answer::{Answer, escaped};
use crate::error::{Context, Fault, InstrumentError, QueuedError};
use crate::framer::{Framer, Want};
use crate::operations::Effect;
use crate::settings::{Echo, ErrorCheck, Resync, SessionSettings};
use crate::wire::Wire;

/// Longest text answer, bytes. A block gets its expected size on top.
const ANSWER_BYTES_MAX: usize = 65_536;
/// Most entries read off an error queue in one go. SCPI-1999 queues are shorter; one that never ends is a fault.
const QUEUE_ENTRIES_MAX: usize = 100;
/// What 9600 baud carry in frames of ten bits, less a margin, bytes/s.
const SLOW_BYTES_PER_S: f64 = 900.0;
/// What resynchronising sends ahead of its newline, attempt by attempt: a flipped bit may have opened a string, in which
/// some instruments swallow newlines. The last one closes what the second opened where no string was open at all.
/// With it stands the share of the usual patience: together no more than three usual attempts.
const CLOSERS: [(&str, f64); 4] = [("", 1.0), ("\"", 0.25), ("'", 0.25), ("\"", 0.9)];

/// Says whether a message with this effect may leave now. Asked right before its bytes leave, on the thread that sends.
pub type MaySend = Box<dyn Fn(Effect) -> bool + Send>;

/// Share of the usual time for finding step right behind an urgent message.
const SOON: f64 = 0.25;

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
    /// The error queue may hold what a lost exchange caused, and was not looked at since.
    queue_owed: bool,
    /// The end of an echo that was not waited for.
    owed: Vec<u8>,
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
            queue_owed: false,
            owed: Vec::new(),
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
        self.ready()?;
        let answer = self.exchange(message, timeout, Want::Line, ANSWER_BYTES_MAX)?;
        self.check_each()?;
        Ok(answer)
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
        self.urgent_under_way = false;
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
        self.urgent_under_way = true;
        if !self.in_step && self.settings.resync == Resync::Nonce && self.asks_in_one_message() {
            self.find_step_soon();
        }
        // OFF does not wait for its echo; the read-back does.
        self.owed = messages.last().map(|last| self.echo_of(last)).unwrap_or_default();
        Ok(())
    }

    /// Whether a setting and a question may share a message, and nothing but answers comes back.
    fn asks_in_one_message(&self) -> bool {
        self.settings.chaining && self.settings.query_chaining && self.settings.echo == Echo::None
    }

    /// Asks for the nonce at once. Answers to what was asked before come before it, and are skipped; what is asked
    /// next still refuses anything that follows.
    fn find_step_soon(&mut self) {
        let nonce = self.fresh_nonce();
        let end = self.settings.terminator.bytes();
        let ask = [format!("*ESE {nonce};*ESE?").as_bytes(), end].concat();
        let restore = [format!("*ESE {}", self.event_enable).as_bytes(), end].concat();
        let deadline = self.deadline(Duration::from_millis(self.settings.timeout_ms).mul_f64(SOON));
        let found = self
            .link
            .send(&ask, deadline)
            .map_err(Unsynced::from)
            .and_then(|()| self.await_nonce(nonce, deadline))
            .and_then(|()| self.link.send(&restore, deadline).map_err(Unsynced::from));
        match found {
            Ok(()) => (self.in_step, self.queue_owed, self.urgent_under_way) = (true, true, false),
            Err(Unsynced::Because(why)) => {
                tracing::debug!(instrument = self.name, why, "step not found at once")
            }
            Err(Unsynced::Link(cause)) => {
                tracing::debug!(instrument = self.name, %cause, "step not found at once");
            }
        }
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

    /// Reads the error queue until it is empty and reports what it held.
    ///
    /// # Errors
    /// `Reported` when it was not empty; link failures.
    pub fn check(&mut self) -> Result<(), InstrumentError> {
        self.ready()?;
        let context = self.context("");
        self.check_after(&context)
    }

    /// Writes the event enable register, which resynchronising also writes and restores.
    ///
    /// # Errors
    /// Those of [`Session::write`].
    pub fn set_event_enable(&mut self, bits: u8) -> Result<(), InstrumentError> {
        self.event_enable = bits;
        self.write(&format!("*ESE {bits}"))
    }

    /// Gets back into step, whether or not it was lost.
    ///
    /// # Errors
    /// `OutOfStep` when the instrument does not fall silent or does not give the nonce back; link failures.
    pub fn resynchronise(&mut self) -> Result<(), InstrumentError> {
        self.in_step = false;
        let mut why = String::new();
        for (closer, share) in CLOSERS {
            match self.resynchronise_once(closer, share) {
                Ok(()) => {
                    (self.in_step, self.urgent_under_way, self.queue_owed) = (true, false, false);
                    self.forget_queue();
                    return Ok(());
                }
                Err(Unsynced::Link(cause)) => {
                    return Err(self.context("").fault(Fault::Link { cause, partial: String::new() }));
                }
                Err(Unsynced::Because(words)) => why = words,
            }
        }
        Err(self.context("").fault(Fault::OutOfStep(why)))
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

    /// What comes back when a message is sent, all of it.
    fn echo_of(&self, message: &str) -> Vec<u8> {
        let end = match self.settings.echo {
            Echo::None => return Vec::new(),
            Echo::Bytes => self.settings.terminator.bytes(),
            Echo::Line => self.settings.answer_end.bytes(),
        };
        [message.as_bytes(), end].concat()
    }

    /// Takes the echo of a message and sees that it is one.
    fn hear_echo(&mut self, message: &str, deadline: Duration) -> Result<(), InstrumentError> {
        let expected = self.echo_of(message);
        let mut came = Vec::with_capacity(expected.len());
        while came.len() < expected.len() {
            let mut buf = vec![0u8; expected.len() - came.len()];
            match self.link.receive(&mut buf, deadline) {
                Ok(n) => came.extend(buf.iter().take(n)),
                Err(cause) => return Err(self.failed(message, cause, &came)),
            }
            if !expected.starts_with(&came) {
                self.lose_step("the echo differs from what was sent");
                return Err(self.context(message).fault(Fault::EchoDiffers { came: escaped(&came) }));
            }
        }
        Ok(())
    }

    /// Takes an echo that was left to come. What is left of it in vain counts as bytes nobody asked for.
    fn take_owed(&mut self) {
        let owed = std::mem::take(&mut self.owed);
        if owed.is_empty() || !self.in_step {
            return;
        }
        let deadline = self.deadline(Duration::from_millis(self.settings.timeout_ms));
        let mut came = Vec::new();
        let mut byte = [0u8; 1];
        while !came.ends_with(&owed) {
            match self.link.receive(&mut byte, deadline) {
                Ok(_) => came.extend_from_slice(&byte),
                Err(cause) => {
                    tracing::warn!(instrument = self.name, %cause, "an echo did not come");
                    self.lose_step("an echo did not come");
                    return;
                }
            }
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
        let mut reader = Framer::new(want, self.settings.answer_end, limit_bytes);
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

    fn check_each(&mut self) -> Result<(), InstrumentError> {
        if self.settings.error_check == ErrorCheck::Each {
            let context = self.context("");
            return self.check_after(&context);
        }
        Ok(())
    }

    /// Reads the queue and reports its entries as the answer to the message of `context`.
    pub(crate) fn check_after(&mut self, context: &Context) -> Result<(), InstrumentError> {
        let errors = self.read_queue()?;
        if errors.is_empty() { Ok(()) } else { Err(context.fault(Fault::Reported(errors))) }
    }

    fn read_queue(&mut self) -> Result<Vec<QueuedError>, InstrumentError> {
        let question = self.settings.next_error.clone();
        let mut errors = Vec::new();
        if question.is_empty() {
            return Ok(errors);
        }
        let timeout = Duration::from_millis(self.settings.timeout_ms);
        while errors.len() < QUEUE_ENTRIES_MAX {
            let (number, text) =
                self.exchange(&question, timeout, Want::Line, ANSWER_BYTES_MAX)?.queued_error()?;
            if number == 0 {
                break;
            }
            errors.push(QueuedError { number, text });
        }
        Ok(errors)
    }

    /// After resynchronising the queue holds what the lost exchange caused, already told as a failure.
    fn forget_queue(&mut self) {
        match self.read_queue() {
            Ok(errors) => {
                for error in errors {
                    tracing::warn!(
                        instrument = self.name,
                        number = error.number,
                        error.text,
                        "reported after lost step"
                    );
                }
            }
            Err(error) => tracing::warn!(%error, "the error queue was not read after lost step"),
        }
    }

    fn resynchronise_once(&mut self, closer: &str, share: f64) -> Result<(), Unsynced> {
        let quiet = Duration::from_millis(self.settings.quiet_ms);
        let patience = Duration::from_millis(self.settings.timeout_ms).mul_f64(share).saturating_add(quiet);
        let end = self.settings.terminator.bytes();
        let line = |message: &str| [message.as_bytes(), end].concat();
        self.owed.clear();
        if !self.urgent_under_way {
            self.link.abandon()?;
        }
        // Ends whatever half message the instrument may hold.
        let deadline = self.deadline(patience);
        self.link.send(&[closer.as_bytes(), end].concat(), deadline)?;
        self.fall_silent(quiet, patience)?;
        if self.settings.resync == Resync::Drain {
            return Ok(());
        }
        let nonce = self.fresh_nonce();
        let deadline = self.deadline(patience);
        if self.settings.chaining && self.settings.query_chaining {
            self.link.send(&line(&format!("*ESE {nonce};*ESE?")), deadline)?;
        } else {
            self.link.send(&line(&format!("*ESE {nonce}")), deadline)?;
            self.link.send(&line("*ESE?"), deadline)?;
        }
        self.await_nonce(nonce, deadline)?;
        if self.fall_silent(quiet, patience)? > 0 {
            return Err(Unsynced::Because(format!("bytes followed its answer {nonce} to *ESE?")));
        }
        let restore = format!("*ESE {}", self.event_enable);
        self.link.send(&line(&restore), deadline.max(self.deadline(patience)))?;
        self.owed = self.echo_of(&restore);
        Ok(())
    }

    fn fall_silent(&mut self, quiet: Duration, patience: Duration) -> Result<usize, Unsynced> {
        let deadline = self.deadline(patience.saturating_add(quiet));
        match self.link.drain(quiet, deadline) {
            Ok(thrown) => Ok(thrown),
            Err(LinkError::TimedOut) => Err(Unsynced::Because("it does not stop sending".to_string())),
            Err(cause) => Err(Unsynced::Link(cause)),
        }
    }

    /// Skips answers until the nonce comes back. Late answers to earlier questions come before it.
    fn await_nonce(&mut self, nonce: u8, deadline: Duration) -> Result<(), Unsynced> {
        let mut reader = Framer::new(Want::Line, self.settings.answer_end, ANSWER_BYTES_MAX);
        let mut buf = [0u8; 4096];
        let wanted = nonce.to_string();
        loop {
            let n = match self.link.receive(&mut buf, deadline) {
                Ok(n) => n,
                Err(LinkError::TimedOut) => {
                    return Err(Unsynced::Because(format!("{wanted} written to *ESE did not come back")));
                }
                Err(cause) => return Err(Unsynced::Link(cause)),
            };
            let mut input = buf.get(..n).unwrap_or_default();
            while let Some(response) = reader.next(&mut input) {
                let Ok(response) = response else { continue };
                let text = response.trim_ascii().to_vec();
                if text.strip_prefix(b"+").unwrap_or(&text) == wanted.as_bytes() {
                    // What follows in the same piece counts as surplus.
                    return if input.is_empty() {
                        Ok(())
                    } else {
                        Err(Unsynced::Because(format!("bytes followed its answer {wanted} to *ESE?")))
                    };
                }
            }
        }
    }

    /// Never the same twice in a row, never the value the register should hold, never 0 or 1, which are the
    /// commonest late answers. The stride is prime to the size of the cycle, so all values are used.
    fn fresh_nonce(&mut self) -> u8 {
        loop {
            self.nonce = self.nonce.wrapping_add(97);
            if self.nonce > 1 && self.nonce != self.event_enable {
                return self.nonce;
            }
        }
    }
}

/// Why one attempt to resynchronise failed.
enum Unsynced {
    /// The link failed, so that trying again is useless.
    Link(LinkError),
    /// The instrument did not do its part.
    Because(String),
}

impl From<LinkError> for Unsynced {
    fn from(cause: LinkError) -> Unsynced {
        match cause {
            LinkError::TimedOut => Unsynced::Because("it does not take bytes (flow stopped)".to_string()),
            other => Unsynced::Link(other),
        }
    }
}
