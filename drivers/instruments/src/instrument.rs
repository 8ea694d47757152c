//! What all roles share: a session and the dialect spoken in it.

use std::time::Duration;

use wattproof_link::{Canceller, Link};

use crate::answer::{Answer, Identity};
use crate::dialect::{Completion, Dialect, Operation, Verify};
use crate::error::{Fault, InstrumentError};
use crate::operations::effect;
use crate::role::Role;
use crate::session::Session;
use crate::settings::ErrorCheck;
use crate::template::{Value, fill};

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
}

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
        let identity = session.query(&settings.identify)?.identity()?;
        session.write(&settings.clear)?;
        let version = if settings.version.is_empty() {
            None
        } else {
            Some(session.query(&settings.version)?.text()?.to_string())
        };
        session.check()?;
        Ok(Instrument { session, dialect: dialect.clone(), identity, version, no_watchdog: false })
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
        self.session.query(&question)?.identity()
    }

    /// Reads and clears the event status register (`*ESR?`, IEEE 488.2 10.12). Bit 7, worth 128, tells that it
    /// was switched on since the last reading.
    ///
    /// # Errors
    /// Those of [`Session::query`]; `Malformed` when the answer is no number from 0 to 255.
    pub fn event_status(&mut self) -> Result<u8, InstrumentError> {
        let answer = self.session.query("*ESR?")?;
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
        let timeout = self.timeout(&operation);
        let effect = effect(self.dialect.role, name);
        let mut sent = String::new();
        for template in operation.write.list() {
            sent = self.filled(template, values, operation.scale)?;
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
            Completion::DelayMs(ms) => self.session.pause(Duration::from_millis(ms))?,
        }
        self.check_group(&sent)?;
        match &operation.verify {
            Some(verify) => self.verify(verify, values, operation.scale),
            None => Ok(None),
        }
    }

    /// Asks for a number, in our unit.
    pub(crate) fn number(&mut self, name: &str, values: &[(&str, Value)]) -> Result<f64, InstrumentError> {
        let scale = self.operation(name, values)?.scale;
        Ok(self.ask(name, values)?.number()? / scale)
    }

    /// Asks for a state.
    pub(crate) fn state(&mut self, name: &str, values: &[(&str, Value)]) -> Result<bool, InstrumentError> {
        self.ask(name, values)?.state()
    }

    /// Asks for a number where the dialect can.
    pub(crate) fn number_if_known(
        &mut self,
        name: &str,
        values: &[(&str, Value)],
    ) -> Result<Option<f64>, InstrumentError> {
        if self.dialect.can(name) { self.number(name, values).map(Some) } else { Ok(None) }
    }

    fn ask(&mut self, name: &str, values: &[(&str, Value)]) -> Result<Answer, InstrumentError> {
        let operation = self.operation(name, values)?;
        let timeout = self.timeout(&operation);
        let question = self.question(&operation, values)?;
        let answer = self.session.query_within(&question, timeout)?;
        self.check_group(&question)?;
        Ok(answer)
    }

    /// Asks and waits `extra` longer than usual.
    pub(crate) fn wait(&mut self, name: &str, extra: Duration) -> Result<Answer, InstrumentError> {
        let operation = self.operation(name, &[])?;
        let timeout = self.timeout(&operation).saturating_add(extra);
        let question = self.question(&operation, &[])?;
        self.session.query_within(&question, timeout)
    }

    /// Asks for a block.
    pub(crate) fn block(
        &mut self,
        name: &str,
        values: &[(&str, Value)],
        expected_bytes: usize,
    ) -> Result<Vec<u8>, InstrumentError> {
        let operation = self.operation(name, values)?;
        let timeout = self.timeout(&operation);
        let question = self.question(&operation, values)?;
        let answered = self.session.query_block(&question, expected_bytes, timeout);
        // A block that is missing or short has its reason in the error queue.
        if answered.is_err() && self.session.is_in_step() {
            self.check_group(&question)?;
        }
        let payload = answered?;
        self.check_group(&question)?;
        Ok(payload)
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
            if answer.state()? {
                return Err(answer.not_taken(format!("off, channel {channel}"), "on".to_string()));
            }
        }
        Ok(())
    }

    /// The bytes that switch all `channels` off, terminators included, for a process that holds a duplicate of the
    /// port.
    pub(crate) fn off_bytes(&self, name: &str, channels: u32) -> Result<Vec<u8>, InstrumentError> {
        let mut bytes = Vec::new();
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
                let message = self.filled(template, &values, operation.scale)?;
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
        self.filled(operation.query.as_deref().unwrap_or_default(), values, operation.scale)
    }

    fn filled(
        &self,
        template: &str,
        values: &[(&str, Value)],
        scale: f64,
    ) -> Result<String, InstrumentError> {
        fill(template, values, scale).map_err(|words| self.refuse(words))
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
        scale: f64,
    ) -> Result<Option<f64>, InstrumentError> {
        let question = self.filled(&verify.query, values, scale)?;
        let answer = self.session.query(&question)?;
        if let Some(expected) = &verify.expect {
            // A state may come back as a word or a number, a word in any case.
            let same = match (answer.state(), expected.as_str()) {
                (Ok(state), "1" | "ON") => state,
                (Ok(state), "0" | "OFF") => !state,
                _ => answer.text()?.eq_ignore_ascii_case(expected),
            };
            if !same {
                return Err(answer.not_taken(expected.clone(), answer.text()?.to_string()));
            }
            return Ok(None);
        }
        let wanted = values.iter().find_map(|(_, value)| match value {
            Value::Number(number) => Some(number * scale),
            _ => None,
        });
        let wanted = wanted.or_else(|| {
            values.iter().find_map(|(word, value)| match value {
                Value::Count(count) if *word != "channel" => Some(f64::from(*count)),
                _ => None,
            })
        });
        let found = answer.number()?;
        let Some(wanted) = wanted else {
            return Err(self.refuse(format!("{question} verifies a number, but none was set")));
        };
        let allowed =
            verify.within_pct.unwrap_or(0.0) / 100.0 * wanted.abs() + verify.within_abs.unwrap_or(0.0);
        // Written so that a NaN is refused.
        if (found - wanted).abs() <= allowed {
            Ok(Some(found / scale))
        } else {
            Err(answer.not_taken(wanted.to_string(), found.to_string()))
        }
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
