//! What all roles share: a session and the dialect spoken in it.

use std::time::Duration;

use wattproof_link::{Canceller, Link};

use crate::answer::{Answer, Identity};
use crate::dialect::Dialect;
use crate::error::{Fault, InstrumentError};
use crate::form::AnswerForm;
use crate::operation::{Completion, Operation, Verify};
use crate::operations::effect;
use crate::role::Role;
use crate::samples::Block;
use crate::session::Session;
use crate::settings::{Decimal, ErrorCheck, IdentityForm, Terminator};
use crate::template::{NumberForm, Value, fill};

/// SCPI-1999 volume 2, 21.8.9: a header the instrument does not know.
const UNDEFINED_HEADER: i32 = -113;

/// An identified instrument of any role.
#[derive(Debug)]
pub struct Instrument {
    session: Session,
    dialect: Dialect,
    identity: Identity,
    version: Option<String>,
    /// It told that it does not know its dialect's watchdog.
    no_watchdog: bool,
    /// Bits of the event status register that a completion has read, and nobody has been told yet.
    events: u8,
}

/// How often a completion is asked for where the dialect does not say.
const OPC_POLL_MS: u64 = 20;
/// OPC in the event status register (IEEE 488.2, 11.5.1.1.9).
const OPERATION_COMPLETE: u8 = 1;

impl Instrument {
    /// Gets into step, asks who it is, clears its status and asks its SCPI version. Sends nothing that could
    /// switch an output.
    pub(crate) fn begin(
        link: Box<dyn Link>,
        role: Role,
        dialect: &Dialect,
        name: &str,
    ) -> Result<Instrument, InstrumentError> {
        let mut session = Session::new(link, name, dialect.session.clone());
        if dialect.role != role {
            let fault = Fault::WrongRole {
                dialect: dialect.name.clone(),
                is: dialect.role.to_string(),
                wanted: role.to_string(),
            };
            return Err(session.context("").fault(fault));
        }
        let settings = dialect.session.clone();
        session.resynchronise()?;
        let identity = introduced(&session.query(&settings.identify)?, settings.identity)?;
        if !settings.clear.is_empty() {
            session.write(&settings.clear)?;
        }
        let version = if settings.version.is_empty() {
            None
        } else {
            Some(session.query(&settings.version)?.text()?.to_string())
        };
        session.check()?;
        Ok(Instrument { session, dialect: dialect.clone(), identity, version, no_watchdog: false, events: 0 })
    }

    /// One that was not asked who it is and of which only questions may be asked: nothing is cleared or checked.
    pub(crate) fn unasked(link: Box<dyn Link>, dialect: &Dialect) -> Instrument {
        let unknown = String::new;
        Instrument {
            session: Session::new(link, "probe", dialect.session.clone()),
            dialect: dialect.clone(),
            identity: Identity {
                manufacturer: unknown(),
                model: unknown(),
                serial: unknown(),
                firmware: unknown(),
            },
            version: None,
            no_watchdog: false,
            events: 0,
        }
    }

    /// Who it says it is.
    pub fn identity(&self) -> &Identity {
        &self.identity
    }

    /// The SCPI version it says it follows, such as `1999.0`. None where the dialect does not ask.
    pub fn version(&self) -> Option<&str> {
        self.version.as_deref()
    }

    /// The dialect spoken.
    pub fn dialect(&self) -> &Dialect {
        &self.dialect
    }

    /// The session, for its name, port, clock and step.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// The session, to resynchronise, read the error queue or ask something outside the role.
    pub fn session_mut(&mut self) -> &mut Session {
        &mut self.session
    }

    /// Interrupts a blocked exchange from another thread.
    pub fn canceller(&self) -> Canceller {
        self.session.canceller()
    }

    /// Asks again who it is, as after a reconnection.
    ///
    /// # Errors
    /// Those of [`Session::query`] and [`Answer::identity`].
    pub fn identify(&mut self) -> Result<Identity, InstrumentError> {
        let question = self.dialect.session.identify.clone();
        introduced(&self.session.query(&question)?, self.dialect.session.identity)
    }

    /// Reads and clears the event status register (`*ESR?`, IEEE 488.2 10.12). Bit 7, worth 128, tells that it
    /// was switched on since the last reading. 0 where the dialect has no such register.
    ///
    /// # Errors
    /// Those of [`Session::query`]; `Malformed` when the answer is no number from 0 to 255.
    pub fn event_status(&mut self) -> Result<u8, InstrumentError> {
        let fresh = self.read_events()?;
        Ok(std::mem::take(&mut self.events) | fresh)
    }

    fn read_events(&mut self) -> Result<u8, InstrumentError> {
        let question = self.dialect.session.events.clone();
        if question.is_empty() {
            return Ok(0);
        }
        let answer = self.session.query(&question)?;
        let value = answer.number()?;
        if value.fract() == 0.0 && (0.0..=255.0).contains(&value) {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a whole number from 0 to 255, checked above"
            )]
            return Ok(value as u8);
        }
        Err(answer.malformed("a whole number from 0 to 255"))
    }

    /// Whether it has a watchdog that can be set and fed, as its dialect says.
    pub fn has_watchdog(&self) -> bool {
        !self.no_watchdog && self.dialect.can("watchdog_s") && self.dialect.can("watchdog_feed")
    }

    /// Sets how long the instrument keeps its outputs on without being fed, s; 0 is for ever. Does nothing where it
    /// has no watchdog; one that does not know its dialect's words for it (−113) counts as without from then on.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn set_watchdog_s(&mut self, seconds: f64) -> Result<(), InstrumentError> {
        if !self.has_watchdog() {
            return Ok(());
        }
        match self.tell("watchdog_s", &[("seconds", Value::Number(seconds))]) {
            Err(error) if error.number() == Some(UNDEFINED_HEADER) => {
                tracing::warn!(
                    instrument = self.session.name(),
                    "it has no watchdog; nothing in it will switch off when the daemon falls silent"
                );
                self.no_watchdog = true;
                Ok(())
            }
            done => done.map(|_| ()),
        }
    }

    /// A temperature that it tells of itself or of something on one of its inputs, °C.
    ///
    /// # Errors
    /// Link failures, an answer that is no number (an open sensor), reported errors, a dialect without `measure_c`.
    pub fn measure_c(&mut self, input: u32) -> Result<f64, InstrumentError> {
        self.number("measure_c", &[at(input)])
    }

    /// Feeds the watchdog, where it has one.
    ///
    /// # Errors
    /// Link failures, reported errors.
    pub fn feed_watchdog(&mut self) -> Result<(), InstrumentError> {
        if self.has_watchdog() {
            self.tell("watchdog_feed", &[])?;
        }
        Ok(())
    }

    /// Tells: sends the operation's messages, waits for completion, reads the error queue, reads back. Returns
    /// the number read back, in our unit, where the read-back is a number.
    pub(crate) fn tell(
        &mut self,
        name: &str,
        values: &[(&str, Value)],
    ) -> Result<Option<f64>, InstrumentError> {
        let operation = self.operation(name, values)?;
        self.expect_in_range(name, &operation, values)?;
        let timeout = self.timeout(&operation);
        let effect = effect(self.dialect.role, name);
        let polled = matches!(operation.completion, Completion::OpcPoll | Completion::OpcPollMs(_));
        if polled {
            // What rose before does not count, and is kept for whoever asks.
            self.events |= self.read_events()? & !OPERATION_COMPLETE;
        }
        let mut sent = String::new();
        for template in operation.write.list() {
            sent = self.filled(template, values, &operation)?;
            self.session.write_with(&sent, effect)?;
        }
        match operation.completion {
            Completion::None => {}
            Completion::OpcQuery => {
                let answer = self.session.query_within("*OPC?", timeout)?;
                if !answer.state()? {
                    return Err(answer.malformed("1"));
                }
            }
            Completion::OpcPoll => self.await_operation(Duration::from_millis(OPC_POLL_MS), timeout)?,
            Completion::OpcPollMs(ms) => self.await_operation(Duration::from_millis(ms), timeout)?,
            Completion::DelayMs(ms) => self.session.pause(Duration::from_millis(ms))?,
        }
        self.check_group(&sent)?;
        match &operation.verify {
            Some(verify) => self.verify(verify, values, &operation),
            None => Ok(None),
        }
    }

    /// `*OPC`, then `*ESR?` until its bit 0 rises (IEEE 488.2, 12.5.2).
    fn await_operation(&mut self, pause: Duration, timeout: Duration) -> Result<(), InstrumentError> {
        self.session.write("*OPC")?;
        let until = self.session.now().saturating_add(timeout);
        loop {
            let events = self.read_events()?;
            self.events |= events & !OPERATION_COMPLETE;
            if events & OPERATION_COMPLETE != 0 {
                return Ok(());
            }
            if self.session.now() >= until {
                let waited_ms = timeout.as_millis();
                return Err(self.session.context("*OPC").fault(Fault::NotComplete { waited_ms }));
            }
            self.session.pause(pause)?;
        }
    }

    /// Refuses a value that the dialect does not allow, before anything is sent.
    fn expect_in_range(
        &self,
        name: &str,
        operation: &Operation,
        values: &[(&str, Value)],
    ) -> Result<(), InstrumentError> {
        match set_value(values).and_then(|value| operation.out_of_range(name, value)) {
            Some(words) => Err(self.session.context("").fault(Fault::OutOfRange(words))),
            None => Ok(()),
        }
    }

    /// Asks for a number, in our unit.
    pub(crate) fn number(&mut self, name: &str, values: &[(&str, Value)]) -> Result<f64, InstrumentError> {
        self.number_telling(name, values, |_| ())
    }

    /// The same; `tell` hears the number as soon as it is read. What the instrument reports of it is asked for after that
    /// and may take as long again: nobody who looks for danger waits for it.
    pub(crate) fn number_telling(
        &mut self,
        name: &str,
        values: &[(&str, Value)],
        tell: impl FnOnce(f64),
    ) -> Result<f64, InstrumentError> {
        let operation = self.operation(name, values)?;
        let (number, answered) = (self.number_form(&operation), self.answer_form(&operation));
        let read = |answer: &Answer| answer.number_by(&answered).map(|value| number.ours(value));
        let answer = self.ask_telling(&operation, values, |answer| {
            // One that is no number is told by its failure, below.
            if let Ok(value) = read(answer) {
                tell(value);
            }
        })?;
        read(&answer)
    }

    /// Asks for a state.
    pub(crate) fn state(&mut self, name: &str, values: &[(&str, Value)]) -> Result<bool, InstrumentError> {
        let operation = self.operation(name, values)?;
        self.ask(&operation, values)?.state_by(&self.answer_form(&operation))
    }

    fn number_form(&self, operation: &Operation) -> NumberForm {
        NumberForm {
            scale: operation.scale,
            offset: operation.offset,
            decimals: operation.decimals,
            comma: self.dialect.session.decimal == Decimal::Comma,
        }
    }

    fn answer_form(&self, operation: &Operation) -> AnswerForm {
        operation.answer.over(&self.dialect.answer)
    }

    /// Asks for a number where the dialect can.
    pub(crate) fn number_if_known(
        &mut self,
        name: &str,
        values: &[(&str, Value)],
    ) -> Result<Option<f64>, InstrumentError> {
        if self.dialect.can(name) { self.number(name, values).map(Some) } else { Ok(None) }
    }

    fn ask(&mut self, operation: &Operation, values: &[(&str, Value)]) -> Result<Answer, InstrumentError> {
        self.ask_telling(operation, values, |_| ())
    }

    fn ask_telling(
        &mut self,
        operation: &Operation,
        values: &[(&str, Value)],
        tell: impl FnOnce(&Answer),
    ) -> Result<Answer, InstrumentError> {
        let timeout = self.timeout(operation);
        let question = self.question(operation, values)?;
        let answer = self.session.query_telling(&question, timeout, tell)?;
        self.check_group(&question)?;
        Ok(answer)
    }

    /// Asks until the answer is yes, and waits `extra` longer than usual for that: once, or again and again where
    /// the dialect polls.
    pub(crate) fn wait(&mut self, name: &str, extra: Duration) -> Result<(), InstrumentError> {
        let operation = self.operation(name, &[])?;
        let timeout = self.timeout(&operation);
        let long = timeout.saturating_add(extra);
        let question = self.question(&operation, &[])?;
        let form = self.answer_form(&operation);
        let Some(poll_ms) = operation.poll_ms else {
            let answer = self.session.query_within(&question, long)?;
            let done = answer.state_by(&form)?;
            return if done { Ok(()) } else { Err(answer.malformed("1 when the record is complete")) };
        };
        let until = self.session.now().saturating_add(long);
        while !self.session.query_within(&question, timeout)?.state_by(&form)? {
            if self.session.now() >= until {
                let fault = Fault::NotComplete { waited_ms: long.as_millis() };
                return Err(self.session.context(&question).fault(fault));
            }
            self.session.pause(Duration::from_millis(poll_ms))?;
        }
        Ok(())
    }

    /// Asks for numbers in a list of so many.
    pub(crate) fn list(
        &mut self,
        name: &str,
        values: &[(&str, Value)],
        separator: &str,
        expected: usize,
    ) -> Result<Vec<f64>, InstrumentError> {
        let operation = self.operation(name, values)?;
        let timeout = self.timeout(&operation);
        let question = self.question(&operation, values)?;
        let answered =
            self.session.query_long(&question, expected.saturating_mul(LIST_NUMBER_BYTES), timeout)?;
        let decimal = self.answer_form(&operation).decimal.unwrap_or_default();
        let numbers = answered.numbers(separator, decimal, expected);
        // A list that is missing or short has its reason in the error queue.
        self.check_group(&question)?;
        numbers
    }

    /// Asks for a block.
    pub(crate) fn block(
        &mut self,
        name: &str,
        values: &[(&str, Value)],
        shape: Block,
        expected_bytes: usize,
    ) -> Result<Vec<u8>, InstrumentError> {
        let operation = self.operation(name, values)?;
        let timeout = self.timeout(&operation);
        let question = self.question(&operation, values)?;
        let answered = match shape {
            Block::Definite => self.session.query_block(&question, expected_bytes, timeout),
            Block::Indefinite => self.session.query_indefinite_block(&question, expected_bytes, timeout),
        };
        // A block that is missing or short has its reason in the error queue.
        if answered.is_err() && self.session.is_in_step() {
            self.check_group(&question)?;
        }
        let payload = answered?;
        self.check_group(&question)?;
        Ok(payload)
    }

    /// Whether the last OFF left, whatever came of it.
    pub(crate) fn off_left(&self) -> bool {
        self.session.urgent_left()
    }

    /// A block that was asked for and is not needed any more.
    pub(crate) fn take_back(&mut self, block: Vec<u8>) {
        self.session.take_back(block);
    }

    /// Switches off: sends the messages for all `channels` at once, whatever the state of the session, then
    /// reads every one back.
    pub(crate) fn off(&mut self, name: &str, state: &str, channels: u32) -> Result<(), InstrumentError> {
        let messages = self.off_messages(name, channels)?;
        self.session.write_urgent(&messages)?;
        for channel in 1..=channels {
            let values = [("channel", Value::Count(channel))];
            let operation = self.operation(state, &values)?;
            let question = self.question(&operation, &values)?;
            let answer = self.session.query_urgent(&question, self.timeout(&operation))?;
            if answer.state_by(&self.answer_form(&operation))? {
                return Err(answer.not_taken(format!("off, channel {channel}"), "on".to_string()));
            }
        }
        Ok(())
    }

    /// The bytes that switch all `channels` off, terminators included, for a process that holds a duplicate of the
    /// port.
    pub(crate) fn off_bytes(&self, name: &str, channels: u32) -> Result<Vec<u8>, InstrumentError> {
        let mut bytes = Vec::new();
        // The guardian ends whatever half message it holds with a line feed, which not every instrument takes for an end.
        if self.session.settings().terminator == Terminator::Cr {
            bytes.extend_from_slice(Terminator::Cr.bytes());
        }
        for message in self.off_messages(name, channels)? {
            bytes.extend_from_slice(message.as_bytes());
            bytes.extend_from_slice(self.session.settings().terminator.bytes());
        }
        Ok(bytes)
    }

    /// The messages that switch all `channels` off, each once.
    fn off_messages(&self, name: &str, channels: u32) -> Result<Vec<String>, InstrumentError> {
        let mut messages = Vec::new();
        for channel in 1..=channels {
            let values = [("channel", Value::Count(channel))];
            let operation = self.operation(name, &values)?;
            for template in operation.write.list() {
                let message = self.filled(template, &values, &operation)?;
                if !messages.contains(&message) {
                    messages.push(message);
                }
            }
        }
        Ok(messages)
    }

    fn operation(&self, name: &str, values: &[(&str, Value)]) -> Result<Operation, InstrumentError> {
        let refuse = |fault| Err(self.session.context("").fault(fault));
        for (word, value) in values {
            if let ("channel", Value::Count(channel)) = (*word, value)
                && !(1..=self.dialect.channels).contains(channel)
            {
                let words = format!("channel {channel} of {} for {name}", self.dialect.channels);
                return refuse(Fault::BadRequest(words));
            }
        }
        match self.dialect.operations.get(name) {
            Some(operation) => Ok(operation.clone()),
            None => {
                refuse(Fault::Unsupported { dialect: self.dialect.name.clone(), operation: name.to_string() })
            }
        }
    }

    pub(crate) fn refuse(&self, words: String) -> InstrumentError {
        self.session.context("").fault(Fault::BadRequest(words))
    }

    pub(crate) fn not_taken(&self, wanted: String, found: String) -> InstrumentError {
        self.session.context("").fault(Fault::NotTaken { wanted, found })
    }

    pub(crate) fn not_a_number(&self, words: String) -> InstrumentError {
        self.session.context("").fault(Fault::NotANumber(words))
    }

    fn question(&self, operation: &Operation, values: &[(&str, Value)]) -> Result<String, InstrumentError> {
        self.filled(operation.query.as_deref().unwrap_or_default(), values, operation)
    }

    fn filled(
        &self,
        template: &str,
        values: &[(&str, Value)],
        operation: &Operation,
    ) -> Result<String, InstrumentError> {
        fill(template, values, self.number_form(operation)).map_err(|words| self.refuse(words))
    }

    fn timeout(&self, operation: &Operation) -> Duration {
        Duration::from_millis(operation.timeout_ms.unwrap_or(self.dialect.session.timeout_ms))
    }

    fn check_group(&mut self, message: &str) -> Result<(), InstrumentError> {
        if self.dialect.session.error_check == ErrorCheck::Group {
            let context = self.session.context(message);
            return self.session.check_after(&context);
        }
        Ok(())
    }

    fn verify(
        &mut self,
        verify: &Verify,
        values: &[(&str, Value)],
        operation: &Operation,
    ) -> Result<Option<f64>, InstrumentError> {
        let numbers = self.number_form(operation);
        let form = verify.answer.over(&self.answer_form(operation));
        let question = self.filled(&verify.query, values, operation)?;
        let answer = self.session.query(&question)?;
        if let Some(expected) = &verify.expect {
            // A state may come back as a word or a number, a word in any case.
            let same = match (answer.state_by(&form), expected.as_str()) {
                (Ok(state), "1" | "ON") => state,
                (Ok(state), "0" | "OFF") => !state,
                _ => answer.word_by(&form)?.eq_ignore_ascii_case(expected),
            };
            if !same {
                return Err(answer.not_taken(expected.clone(), answer.text()?.to_string()));
            }
            return Ok(None);
        }
        let wanted =
            set_value(values).map(|value| match values.iter().any(|(_, v)| matches!(v, Value::Number(_))) {
                true => numbers.wire(value),
                false => value,
            });
        let found = answer.number_by(&form)?;
        let Some(wanted) = wanted else {
            return Err(self.refuse(format!("{question} verifies a number, but none was set")));
        };
        let allowed =
            verify.within_pct.unwrap_or(0.0) / 100.0 * wanted.abs() + verify.within_abs.unwrap_or(0.0);
        // Written so that a NaN is refused.
        if (found - wanted).abs() <= allowed {
            Ok(Some(numbers.ours(found)))
        } else {
            Err(answer.not_taken(wanted.to_string(), found.to_string()))
        }
    }
}

/// Room for one number of a list, bytes: sign, 17 digits, point, exponent, separator.
const LIST_NUMBER_BYTES: usize = 25;

/// The quantity or count that is set, in our unit.
fn set_value(values: &[(&str, Value)]) -> Option<f64> {
    let quantity = values.iter().find_map(|(_, value)| match value {
        Value::Number(number) => Some(*number),
        _ => None,
    });
    quantity.or_else(|| {
        values.iter().find_map(|(word, value)| match value {
            Value::Count(count) if *word != "channel" => Some(f64::from(*count)),
            _ => None,
        })
    })
}

fn introduced(answer: &Answer, form: IdentityForm) -> Result<Identity, InstrumentError> {
    match form {
        IdentityForm::Fields => answer.identity(),
        IdentityForm::Text => answer.identity_text(),
    }
}

pub(crate) fn at(channel: u32) -> (&'static str, Value) {
    ("channel", Value::Count(channel))
}

/// Gives a role the things every instrument has.
macro_rules! shares_instrument {
    ($role:ident) => {
        impl $role {
            /// What all roles share: identity, session, error queue.
            pub fn instrument(&self) -> &crate::instrument::Instrument {
                &self.instrument
            }

            /// The same, to resynchronise or to read its error queue.
            pub fn instrument_mut(&mut self) -> &mut crate::instrument::Instrument {
                &mut self.instrument
            }

            /// Interrupts a blocked exchange from another thread.
            pub fn canceller(&self) -> wattproof_link::Canceller {
                self.instrument.canceller()
            }
        }
    };
}
pub(crate) use shares_instrument;
