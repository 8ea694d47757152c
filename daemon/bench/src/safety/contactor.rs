//! The contactor ahead of the supply, held by a modem line of a serial port: whatever ends this process drops it.
//!
//! It is engaged at arming, with everything off, and released at the end of a run and whenever an output is not
//! confirmed off. With a feedback line, contacts that are welded or do not close are found out.

use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use wattproof_link::{InputLine, LinkError, ModemLine, OutputLine};

use crate::BenchError;

/// How long the contacts may take to follow the line.
const FOLLOW: Duration = Duration::from_millis(200);
/// How often the feedback is read meanwhile.
const LOOK: Duration = Duration::from_millis(5);

/// The contactor, as a bench file names it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ContactorPlace {
    /// Serial port whose line holds it; used for nothing else.
    pub port: String,
    /// The line that holds it.
    pub line: OutputLine,
    /// The line on which an auxiliary contact reports that it is closed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feedback: Option<InputLine>,
}

/// What holds a contactor: a modem line, or a stand-in of a test.
pub trait ContactorLine: Send {
    /// Holds it or lets it go.
    ///
    /// # Errors
    /// The line could not be driven.
    fn hold(&mut self, held: bool) -> Result<(), LinkError>;

    /// Whether the contacts report that they are closed; none without feedback.
    ///
    /// # Errors
    /// The line could not be read.
    fn closed(&mut self) -> Result<Option<bool>, LinkError>;

    /// What a person calls it.
    fn label(&self) -> String;
}

impl ContactorLine for ModemLine {
    fn hold(&mut self, held: bool) -> Result<(), LinkError> {
        self.drive(held)
    }

    fn closed(&mut self) -> Result<Option<bool>, LinkError> {
        self.read()
    }

    fn label(&self) -> String {
        format!("the contactor on {}", self.path())
    }
}

/// The contactor of a bench, if it has one.
#[derive(Default)]
pub(crate) struct Contactor {
    line: Option<Mutex<Held>>,
}

struct Held {
    line: Box<dyn ContactorLine>,
    /// What the line was last told.
    held: bool,
    /// Its contacts have followed.
    settled: bool,
}

impl Contactor {
    /// Opens the line that a bench file names. The kernel raises it for an instant: only while everything is off.
    pub fn open(place: Option<&ContactorPlace>) -> Result<Self, BenchError> {
        let Some(place) = place else { return Ok(Contactor::default()) };
        let line = ModemLine::open(&place.port, place.line, place.feedback)
            .map_err(|error| BenchError::Setup(format!("contactor: {error}")))?;
        Ok(Contactor::over(Box::new(line)))
    }

    pub fn over(line: Box<dyn ContactorLine>) -> Self {
        Contactor { line: Some(Mutex::new(Held { line, held: false, settled: false })) }
    }

    /// Whether the bench has one.
    pub fn exists(&self) -> bool {
        self.line.is_some()
    }

    fn lock(&self) -> Option<MutexGuard<'_, Held>> {
        Some(self.line.as_ref()?.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Closes the contacts; refuses when they are closed already, or do not close.
    pub fn engage(&self) -> Result<(), String> {
        let Some(mut held) = self.lock() else { return Ok(()) };
        if held.line.closed().map_err(|error| error.to_string())? == Some(true) && !held.held {
            return Err(format!(
                "{} reports closed contacts though nothing holds it: they are welded, or the feedback is wired \
                 wrong; cut the mains and replace it",
                held.line.label()
            ));
        }
        held.line.hold(true).map_err(|error| error.to_string())?;
        held.held = true;
        drop(held);
        self.follows(true).map_err(|why| match self.release() {
            Ok(()) => why,
            Err(error) => format!("{why}; and it was not released: {error}"),
        })
    }

    /// Lets the contacts open, at once, without waiting for them.
    pub fn release(&self) -> Result<(), String> {
        let Some(mut held) = self.lock() else { return Ok(()) };
        (held.held, held.settled) = (false, false);
        held.line.hold(false).map_err(|error| format!("{error}; cut the mains"))
    }

    /// Lets the contacts open and sees that they do.
    pub fn release_and_look(&self) -> Result<(), String> {
        self.release()?;
        self.follows(false).map_err(|why| format!("{why}; cut the mains"))
    }

    /// While held: whether the contacts are still closed.
    pub fn look(&self) -> Result<(), String> {
        let Some(mut held) = self.lock() else { return Ok(()) };
        if held.settled && held.line.closed().map_err(|error| error.to_string())? == Some(false) {
            return Err(format!("{} has opened though it is held", held.line.label()));
        }
        Ok(())
    }

    /// Waits for the contacts to follow, never holding the lock: a release must not wait for this.
    fn follows(&self, closed: bool) -> Result<(), String> {
        let until = Instant::now() + FOLLOW;
        loop {
            let Some(mut held) = self.lock() else { return Ok(()) };
            if held.held != closed {
                return Err(format!("{} was let go meanwhile", held.line.label()));
            }
            match held.line.closed().map_err(|error| error.to_string())? {
                Some(is) if is != closed => {}
                _ => {
                    held.settled = closed;
                    return Ok(());
                }
            }
            if Instant::now() >= until {
                let (is, wanted) = if closed { ("open", "close") } else { ("closed", "open") };
                return Err(format!(
                    "{} did not {wanted} within {} ms: its contacts still report {is}",
                    held.line.label(),
                    FOLLOW.as_millis()
                ));
            }
            drop(held);
            std::thread::sleep(LOOK);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    use super::*;

    /// Contacts that follow the line after a delay, or are stuck.
    #[derive(Clone, Default)]
    struct Fake {
        line: Arc<AtomicBool>,
        stuck: Arc<Mutex<Option<bool>>>,
        delay: Duration,
        changed: Arc<Mutex<Option<Instant>>>,
        blind: bool,
    }

    impl ContactorLine for Fake {
        fn hold(&mut self, held: bool) -> Result<(), LinkError> {
            if self.line.swap(held, Ordering::SeqCst) != held {
                *self.changed.lock().unwrap() = Some(Instant::now());
            }
            Ok(())
        }

        fn closed(&mut self) -> Result<Option<bool>, LinkError> {
            let line = self.line.load(Ordering::SeqCst);
            let late = self.changed.lock().unwrap().is_some_and(|at| at.elapsed() < self.delay);
            let contacts = self.stuck.lock().unwrap().unwrap_or(line != late);
            Ok((!self.blind).then_some(contacts))
        }

        fn label(&self) -> String {
            "the contactor of a test".into()
        }
    }

    fn with(fake: &Fake) -> Contactor {
        Contactor::over(Box::new(fake.clone()))
    }

    #[test]
    fn contacts_that_follow_are_taken() {
        let fake = Fake { delay: Duration::from_millis(60), ..Fake::default() };
        let contactor = with(&fake);
        contactor.engage().unwrap();
        assert!(fake.line.load(Ordering::SeqCst));
        contactor.look().unwrap();
        contactor.engage().unwrap();
        contactor.release_and_look().unwrap();
        assert!(!fake.line.load(Ordering::SeqCst));
    }

    #[test]
    fn welded_contacts_are_refused_at_arming_and_told_at_release() {
        let fake = Fake::default();
        *fake.stuck.lock().unwrap() = Some(true);
        let told = with(&fake).engage().unwrap_err();
        assert!(told.contains("welded"), "{told}");
        assert!(!fake.line.load(Ordering::SeqCst), "it was never held");
        *fake.stuck.lock().unwrap() = None;
        let contactor = with(&fake);
        contactor.engage().unwrap();
        *fake.stuck.lock().unwrap() = Some(true);
        let told = contactor.release_and_look().unwrap_err();
        assert!(told.contains("did not open within 200 ms") && told.contains("cut the mains"), "{told}");
        assert!(!fake.line.load(Ordering::SeqCst), "the line is down all the same");
    }

    #[test]
    fn contacts_that_do_not_close_are_refused_and_let_go() {
        let fake = Fake::default();
        *fake.stuck.lock().unwrap() = Some(false);
        let told = with(&fake).engage().unwrap_err();
        assert!(told.contains("did not close within 200 ms"), "{told}");
        assert!(!fake.line.load(Ordering::SeqCst));
        *fake.stuck.lock().unwrap() = None;
        let contactor = with(&fake);
        contactor.engage().unwrap();
        *fake.stuck.lock().unwrap() = Some(false);
        assert!(contactor.look().unwrap_err().contains("has opened"));
    }

    #[test]
    fn without_feedback_or_without_a_contactor_nothing_is_asked() {
        let fake = Fake { blind: true, ..Fake::default() };
        let contactor = with(&fake);
        contactor.engage().unwrap();
        contactor.look().unwrap();
        contactor.release_and_look().unwrap();
        let none = Contactor::default();
        none.engage().unwrap();
        none.look().unwrap();
        none.release_and_look().unwrap();
    }
}
