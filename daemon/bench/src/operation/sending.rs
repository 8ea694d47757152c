//! How a command leaves: past the guard, to the thread of its instrument; and what a failure on that way comes to.

use std::sync::Arc;
use std::time::Duration;

use wattproof_guard::{Command, SafetyReading, TripCause};
use wattproof_instruments::InstrumentError;
use wattproof_link::LinkError;

use crate::wire::actor::{Actor, ActorGone, Pending};
use crate::wire::failed::{failed, gone};
use crate::{Bench, BenchError};

/// How long a trip may take to reach the disk before it is told all the same.
const STANDS_WITHIN: Duration = Duration::from_millis(500);

type Asked<T> = Result<Result<T, InstrumentError>, ActorGone>;

impl Bench {
    /// Passes the gate, then sends on the instrument's own thread, unless a trip or stop came in between: behind an
    /// OFF that already stands in the queue nothing may switch on again.
    pub(crate) fn send<T: Send + 'static, R: Send + 'static>(
        &self,
        actor: &Actor<T>,
        command: &Command,
        work: impl FnOnce(&mut T) -> Result<R, InstrumentError> + Send + 'static,
    ) -> Result<R, BenchError> {
        self.permit(command)?;
        let (shared, noted) = (Arc::clone(&self.shared), *command);
        let sent = actor.ask(move |instrument| {
            let off = shared.guard().trip().is_some() || shared.stop.stopped_by().is_some();
            (!off).then(|| {
                let done = work(instrument)?;
                shared.commanded().note(&noted);
                Ok(done)
            })
        });
        match sent.transpose() {
            Some(asked) => self.finish_ask(asked),
            None => {
                self.check_stop()?;
                Err(BenchError::Stopped("a reset in the middle of a command".into()))
            }
        }
    }

    pub(crate) fn permit(&self, command: &Command) -> Result<(), BenchError> {
        self.check_stop()?;
        let permitted = self.shared.guard().permit(self.now_s(), command);
        if permitted.is_err() {
            self.shared.stop.wake();
            self.let_latch_stand();
        }
        Ok(permitted?)
    }

    pub(crate) fn judge(&self, reading: &SafetyReading) -> Result<(), BenchError> {
        let mut reading = *reading;
        if !self.shared.file.measures_current() {
            // Without a current the power limits count what the load takes at that voltage.
            let load_ohm = self.shared.guard().load_ohm();
            reading.out_w = reading.out_vrms.zip(load_ohm).map(|(vrms, load_ohm)| vrms * vrms / load_ohm);
        }
        let trip = self.shared.guard().observe(self.now_s(), &reading);
        match trip {
            Some(trip) => {
                self.shared.stop.wake();
                self.let_latch_stand();
                Err(BenchError::Tripped(trip.cause))
            }
            None => self.check_stop(),
        }
    }

    pub(crate) fn check_stop(&self) -> Result<(), BenchError> {
        if let Some(by) = self.shared.stop.stopped_by() {
            return Err(BenchError::Stopped(by));
        }
        let tripped = self.shared.guard().trip().map(|trip| trip.cause.clone());
        match tripped {
            Some(cause) => {
                self.let_latch_stand();
                Err(BenchError::Tripped(cause))
            }
            None => Ok(()),
        }
    }

    /// Before a trip is told to a script, a record or a person: whoever has learnt of it must find it after a restart,
    /// however this process or the machine ends. A disk that hangs keeps nobody waiting for longer than this.
    pub(crate) fn let_latch_stand(&self) {
        self.shared.latch.stands(STANDS_WITHIN);
    }

    fn gap(&self) -> Option<TripCause> {
        let guard = self.shared.guard();
        let cause = guard.trip()?.cause.clone();
        matches!(cause, TripCause::Clock { .. }).then_some(cause)
    }

    pub(crate) fn finish_wait<T>(
        &self,
        pending: Pending<Result<T, InstrumentError>>,
    ) -> Result<T, BenchError> {
        self.finish_ask(pending.wait())
    }

    /// An instrument's failure trips the guard before anybody sees it.
    pub(crate) fn finish_ask<T>(&self, asked: Asked<T>) -> Result<T, BenchError> {
        match &asked {
            Ok(Ok(_)) => {}
            Ok(Err(error)) => failed(&self.shared, error),
            Err(error) => gone(&self.shared, error),
        }
        if !matches!(asked, Ok(Ok(_))) {
            self.let_latch_stand();
        }
        // A cancelled or refused exchange is the stop's or the trip's doing, not the instrument's.
        if let Ok(Err(error)) = &asked
            && matches!(error.link(), Some(LinkError::Cancelled | LinkError::Refused))
        {
            self.check_stop()?;
        }
        if !matches!(asked, Ok(Ok(_)))
            && let Some(by) = self.shared.stop.stopped_by()
        {
            return Err(BenchError::Stopped(by));
        }
        // After a gap in time every deadline has passed: that explains the failure, not the instrument.
        if !matches!(asked, Ok(Ok(_)))
            && let Some(gap) = self.gap()
        {
            return Err(BenchError::Tripped(gap));
        }
        asked?.map_err(|error| BenchError::Instrument(Box::new(error)))
    }
}
