//! Who is on a port, in which role, and which dialect it speaks: asked without changing a setting.
//!
//! First `*IDN?` (IEEE 488.2, 10.14) at each baud rate with each line end; then the ways of dialects that ask
//! otherwise, have another frame, or echo. Where somebody answers, each dialect that could be meant asks the questions
//! of its role, those that read a setting or a value and no others; what that has put into the error queue is read off
//! again. Only questions and empty lines are sent. That can
//! still disturb a device: at a wrong rate it hears garbage, a device of another kind may take any line for a
//! command, and what it does not know it may queue as an error.

use std::time::Duration;

use wattproof_link::{Link, LinkError, Parity, SerialSettings};

use crate::answer::escaped;
use crate::dialect::Dialect;
use crate::error::InstrumentError;
use crate::instrument::{Instrument, at};
use crate::lend::Lender;
use crate::operations::{Effect, operations};
use crate::role::Role;
use crate::session::Session;
use crate::settings::{Echo, ErrorCheck, Resync, SessionSettings, Terminator};
use crate::who::identity_fits;

/// The question of IEEE 488.2.
const IDENTIFY: &str = "*IDN?";
/// How long an answer may take to begin.
const PATIENCE: Duration = Duration::from_millis(600);
/// Silence that ends an answer whose end is not known.
const QUIET: Duration = Duration::from_millis(120);
/// Least time for a question of a role; more where the instrument took longer to say who it is.
const QUESTION_MS: u64 = 300;
/// Longest answer that is listened to, bytes.
const ANSWER_BYTES_MAX: usize = 2_000;
/// Most errors that are read off a queue afterwards.
const QUEUE_ENTRIES_MAX: usize = 50;
/// Questions that are asked for more than a value: samples, and their completion.
const NOT_ASKED: [&str; 2] = ["fetch", "wait"];

/// What to ask with.
#[derive(Debug, Clone)]
pub struct Asking {
    /// Baud rates to try, in order. Empty for a link without line settings.
    pub bauds: Vec<u32>,
    /// Dialects that may be meant.
    pub dialects: Vec<Dialect>,
}

/// How sure it is that a dialect is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sureness {
    /// Some questions of its role were answered, not all.
    Unsure,
    /// All questions of its role were answered in the form that the dialect gives.
    Likely,
    /// And the dialect file names this instrument in `identities`.
    Sure,
}

impl Sureness {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Sureness::Unsure => "unsure",
            Sureness::Likely => "likely",
            Sureness::Sure => "sure",
        }
    }
}

/// A dialect that may be meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proposal {
    /// Its name.
    pub dialect: String,
    /// Its role.
    pub role: Role,
    /// How sure that is.
    pub sureness: Sureness,
    /// Questions of the role that were answered as they should be.
    pub answered: usize,
    /// Questions that were asked.
    pub asked: usize,
}

/// Who was found on a port.
#[derive(Debug, Clone, PartialEq)]
pub struct Introduction {
    /// What it answered to the question who it is.
    pub identity: String,
    /// That question.
    pub question: String,
    /// The line settings with which it answered.
    pub line: SerialSettings,
    /// Which dialects may be meant, the likeliest first; empty where none fits.
    pub proposals: Vec<Proposal>,
}

/// What was found on a port.
#[derive(Debug, Clone, PartialEq)]
pub enum Heard {
    /// Somebody who told who it is.
    Somebody(Introduction),
    /// Bytes that are no such answer, escaped.
    Something(String),
    /// Nothing came.
    Nothing,
}

impl Asking {
    /// The questions that may be sent, each once, for whoever must say yes to them.
    pub fn questions(&self) -> Vec<String> {
        let mut questions = vec![IDENTIFY.to_string()];
        for dialect in &self.dialects {
            let of_role = asked_of(dialect).filter_map(|name| dialect.operations.get(name)?.query.clone());
            let of_role = of_role.map(|question| question.replace("{channel}", "1"));
            let of_session = [dialect.session.identify.clone(), dialect.session.next_error.clone()];
            for question in of_session.into_iter().chain(of_role) {
                if !question.is_empty() && !questions.contains(&question) {
                    questions.push(question);
                }
            }
        }
        questions
    }

    /// Asks on an open link. It is left as the last attempt set it up.
    ///
    /// # Errors
    /// The link hung up, was cancelled, or cannot be set up.
    pub fn ask(&self, link: Box<dyn Link>) -> Result<Heard, LinkError> {
        let mut lender = Lender::new(link);
        let mut something = None;
        let rates =
            if self.bauds.is_empty() { vec![SerialSettings::default().baud] } else { self.bauds.clone() };
        for baud in rates {
            let line = SerialSettings { baud, ..SerialSettings::default() };
            lender.tune(&line)?;
            for end in [Terminator::Lf, Terminator::Crlf, Terminator::Cr] {
                let asked_at = lender.now();
                let answer = standard(&mut lender, end)?;
                let took = lender.now().saturating_sub(asked_at);
                match told(&answer) {
                    Told::Nothing => {}
                    Told::Identity(identity) => {
                        let proposals = self.proposals(&lender, &identity, took)?;
                        let question = IDENTIFY.to_string();
                        return Ok(Heard::Somebody(Introduction { identity, question, line, proposals }));
                    }
                    Told::Something(text) => something = Some(text),
                }
            }
        }
        for dialect in self.dialects.iter().filter(|dialect| asks_otherwise(dialect)) {
            let line = dialect.serial.settings();
            lender.tune(&line)?;
            let mut session = Session::new(Box::new(lender.lend()), "probe", quietly(&dialect.session));
            let asked_at = lender.now();
            let answer = session.resynchronise().and_then(|()| session.query(&dialect.session.identify));
            let took = lender.now().saturating_sub(asked_at);
            drop(session);
            let identity = match answer.and_then(|answer| answer.text().map(str::to_string)) {
                Ok(identity) => identity,
                Err(error) => match gone(&error) {
                    Some(cause) => return Err(cause),
                    None => continue,
                },
            };
            let Some(proposal) = proposal(&lender, dialect, &identity, took)? else { continue };
            let question = dialect.session.identify.clone();
            return Ok(Heard::Somebody(Introduction { identity, question, line, proposals: vec![proposal] }));
        }
        Ok(something.map_or(Heard::Nothing, Heard::Something))
    }

    /// Asks the questions of each dialect that could be meant.
    fn proposals(&self, lender: &Lender, identity: &str, took: Duration) -> Result<Vec<Proposal>, LinkError> {
        let mut found = Vec::new();
        let fitting = |dialect: &&Dialect| !asks_otherwise(dialect);
        for dialect in self.dialects.iter().filter(fitting) {
            found.extend(proposal(lender, dialect, identity, took)?);
        }
        // The surest first, then the one that understood most.
        found.sort_by_key(|one| std::cmp::Reverse((one.sureness, one.answered)));
        let best = found.first().and_then(|best| self.dialects.iter().find(|one| one.name == best.dialect));
        if let Some(best) = best {
            forget_queue(lender, best)?;
        }
        Ok(found)
    }
}

/// Whether a dialect's instrument would not answer `*IDN?` on a plain line.
fn asks_otherwise(dialect: &Dialect) -> bool {
    let line = dialect.serial.settings();
    let plain = (line.data_bits, line.parity, line.stop_bits) == (8, Parity::None, 1);
    let session = &dialect.session;
    session.identify != IDENTIFY || session.echo != Echo::None || session.byte_ms > 0.0 || !plain
}

/// A dialect's way of talking without anything but questions: no register is written, no queue is read.
fn quietly(settings: &SessionSettings) -> SessionSettings {
    SessionSettings {
        resync: Resync::Drain,
        error_check: ErrorCheck::Never,
        next_error: String::new(),
        timeout_ms: settings.timeout_ms.min(1_000),
        ..settings.clone()
    }
}

/// `*IDN?` behind an empty line, which ends whatever a wrong rate has left behind; what comes until it is quiet.
fn standard(link: &mut Lender, end: Terminator) -> Result<Vec<u8>, LinkError> {
    let mut buf = [0u8; 512];
    // Forget what the attempt before may still bring.
    while link.receive(&mut buf, link.now()).is_ok() {}
    let bytes = [end.bytes(), IDENTIFY.as_bytes(), end.bytes()].concat();
    match link.send(&bytes, link.now() + PATIENCE) {
        Ok(()) => {}
        // Flow control holds it back: nobody listens.
        Err(LinkError::TimedOut) => {
            link.abandon()?;
            return Ok(Vec::new());
        }
        Err(other) => return Err(other),
    }
    link.expects();
    let mut answer = Vec::new();
    let mut until = link.now() + PATIENCE;
    while answer.len() < ANSWER_BYTES_MAX {
        match link.receive(&mut buf, until) {
            Ok(count) => answer.extend(buf.iter().take(count)),
            Err(LinkError::TimedOut) => break,
            Err(other) => return Err(other),
        }
        until = link.now() + QUIET;
    }
    Ok(answer)
}

enum Told {
    Identity(String),
    Something(String),
    Nothing,
}

/// What came back: fields with commas between them tell who it is; anything else may be an echo or a complaint.
fn told(answer: &[u8]) -> Told {
    if answer.trim_ascii().is_empty() {
        return Told::Nothing;
    }
    let lines: Vec<&[u8]> = answer
        .split(|byte| matches!(byte, b'\r' | b'\n'))
        .map(<[u8]>::trim_ascii)
        .filter(|l| !l.is_empty())
        .collect();
    let identity = match lines.as_slice() {
        [only] if answer.ends_with(b"\n") || answer.ends_with(b"\r") => Some(*only),
        _ => None,
    };
    let text = identity.and_then(|line| std::str::from_utf8(line).ok());
    let printable = |text: &&str| text.bytes().all(|byte| matches!(byte, b' '..=b'~')) && text.contains(',');
    match text.filter(printable) {
        Some(text) => Told::Identity(text.to_string()),
        None => Told::Something(escaped(answer)),
    }
}

/// Questions of a dialect's role that read a setting or a value.
fn asked_of(dialect: &Dialect) -> impl Iterator<Item = &'static str> {
    let named = operations(dialect.role).iter().filter(|spec| spec.asks && spec.effect == Effect::Asks);
    named.map(|spec| spec.name).filter(|name| !NOT_ASKED.contains(name) && dialect.can(name))
}

/// Reads off the error queue what the questions of other dialects have put there: nobody else could tell why.
fn forget_queue(lender: &Lender, dialect: &Dialect) -> Result<(), LinkError> {
    let mut session = Session::new(Box::new(lender.lend()), "probe", quietly(&dialect.session));
    let question = &dialect.session.next_error;
    let mut left = if question.is_empty() { 0 } else { QUEUE_ENTRIES_MAX };
    while left > 0 {
        left -= 1;
        match session.query(question).and_then(|answer| answer.queued_error()) {
            Ok((0, _)) => break,
            Ok(_) => {}
            Err(error) => return gone(&error).map_or(Ok(()), Err),
        }
    }
    Ok(())
}

/// Asks the questions of a dialect's role; none where it understands nothing of them.
fn proposal(
    lender: &Lender,
    dialect: &Dialect,
    identity: &str,
    took: Duration,
) -> Result<Option<Proposal>, LinkError> {
    let took_ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX).saturating_mul(4);
    let mut asks = dialect.clone();
    asks.session = quietly(&dialect.session);
    asks.session.timeout_ms = took_ms.max(QUESTION_MS).min(asks.session.timeout_ms.max(QUESTION_MS));
    asks.operations.values_mut().for_each(|operation| operation.timeout_ms = None);
    let mut instrument = Instrument::unasked(Box::new(lender.lend()), &asks);
    let (mut asked, mut answered) = (0, 0);
    for name in asked_of(dialect) {
        asked += 1;
        let answer = match name {
            "get_on" | "get_connected" => instrument.state(name, &[at(1)]).map(|_| ()),
            _ => instrument.number(name, &[at(1)]).map(|_| ()),
        };
        match answer {
            Ok(()) => answered += 1,
            Err(error) => {
                if let Some(cause) = gone(&error) {
                    return Err(cause);
                }
                // What does not understand the first is not asked for the rest.
                if answered == 0 {
                    return Ok(None);
                }
            }
        }
    }
    let named = dialect.identities.iter().any(|wanted| identity_fits(wanted, identity));
    let sureness = match (named, answered == asked) {
        (true, true) => Sureness::Sure,
        (false, true) => Sureness::Likely,
        _ => Sureness::Unsure,
    };
    let (dialect, role) = (dialect.name.clone(), dialect.role);
    Ok(Some(Proposal { dialect, role, sureness, answered, asked }))
}

/// A failure after which asking on is of no use.
fn gone(error: &InstrumentError) -> Option<LinkError> {
    error.link().filter(|cause| matches!(cause, LinkError::HungUp | LinkError::Cancelled)).cloned()
}

/// Asks who is on a link in a dialect's way of talking, and nothing else.
///
/// # Errors
/// Nobody answered, or not with a text; link failures.
pub fn ask_identity(link: Box<dyn Link>, settings: &SessionSettings) -> Result<String, InstrumentError> {
    let mut session = Session::new(link, "whoever is there", quietly(settings));
    session.resynchronise()?;
    Ok(session.query(&settings.identify)?.text()?.to_string())
}
