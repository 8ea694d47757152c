//! What a run can do with an open bench. Everything that can energise passes the guard first.

use std::sync::atomic::Ordering;
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use wattproof_guard::{Belief, Command, Output, SafetyReading, State, TripCause};
use wattproof_instruments::{InstrumentError, Source};
use wattproof_link::LinkError;

use crate::actor::{Actor, ActorGone, Pending};
use crate::drives::Playing;
use crate::failed::{failed, gone};
use crate::shared::SUPPLY_OUTPUT;
use crate::unasked::{look, set_watchdogs};
use crate::{Arming, Bench, BenchError};

/// How long a trip may take to reach the disk before it is told all the same.
const STANDS_WITHIN: Duration = Duration::from_millis(500);

type Asked<T> = Result<Result<T, InstrumentError>, ActorGone>;

impl Bench {
    /// Lets a run energise.
    ///
    /// # Errors
    /// [`BenchError::Refused`] when the guard is not in its safe state; [`BenchError::Setup`] when nobody would answer a
    /// crash any more, or the contactor does not follow; [`BenchError::Tripped`] when source or supply restarted since
    /// they were switched off, as a modem line that rose when its port was opened makes some, or are on.
    pub fn arm(&self) -> Result<Arming, BenchError> {
        if let Some(latch) = &*self.latched() {
            return Err(BenchError::Latched { cause: latch.record.cause.clone() });
        }
        self.check_stop()?;
        self.shared.watched.check()?;
        self.shared.contactor.engage().map_err(BenchError::Setup)?;
        let armed = self.shared.guard().arm(self.now_s());
        if armed.is_err() {
            self.shared.contactor.release().map_err(BenchError::Setup)?;
        }
        armed?;
        let arming = self.newly_armed();
        if let Some(load_ohm) = self.shared.file.load.fixed_ohm {
            // Readings are compared with it from the first one on.
            self.permit(&Command::LoadOhm { load_ohm })?;
        }
        look(&self.shared);
        self.check_stop()?;
        Ok(arming)
    }

    /// What is believed of an output; UNKNOWN counts as on.
    pub fn belief(&self, output: Output) -> Belief {
        self.shared.guard().belief(output)
    }

    /// Which channels `source_on` will drive: the first `count`.
    pub fn set_driven(&self, count: usize) {
        self.shared.driven.store(count.clamp(1, self.shared.file.amplifier_channels()), Ordering::Relaxed);
    }

    /// Samples per channel of the next captures.
    ///
    /// # Errors
    /// [`BenchError::Stopped`].
    pub fn set_samples(&self, samples: usize) -> Result<(), BenchError> {
        self.check_stop()?;
        self.shared.samples.store(samples, Ordering::Relaxed);
        Ok(())
    }

    /// Sets the source level, V rms. While the source is on, a rise goes in steps the guard allows.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_level(&self, level_vrms: f64) -> Result<(), BenchError> {
        if self.playing() != Playing::Continuous {
            return self.set_continuous(level_vrms);
        }
        self.rise(self.level_vrms(), level_vrms, |bench, level_vrms| {
            bench.send_vrms(&Command::SourceLevel { level_vrms }, level_vrms)?;
            bench.note_level(level_vrms);
            bench.settle_for(bench.shared.file.source.settle_ms);
            Ok(())
        })
    }

    /// Goes from one level to another by `send`, upwards in steps the guard allows.
    pub(crate) fn rise(
        &self,
        from_vrms: f64,
        to_vrms: f64,
        send: impl Fn(&Self, f64) -> Result<(), BenchError>,
    ) -> Result<(), BenchError> {
        let limits = self.limits();
        let mut now_vrms = from_vrms;
        // A NaN or over-limit request never enters the ramp; the gate below refuses it.
        while to_vrms <= limits.source_vrms_max && to_vrms > limits.next_step_vrms(now_vrms) {
            now_vrms = limits.next_step_vrms(now_vrms);
            send(self, now_vrms)?;
        }
        send(self, to_vrms)
    }

    /// Passes the gate as `command` and sets the (first) tone's level.
    pub(crate) fn send_vrms(&self, command: &Command, vrms: f64) -> Result<(), BenchError> {
        let outputs = self.shared.file.source.outputs.clone();
        self.send(&self.shared.actors.source, command, move |source| {
            outputs.iter().try_for_each(|output| source.set_vrms(*output, vrms).map(|_| ()))
        })
    }

    /// The loudest level that the source plays, V rms.
    pub(crate) fn level_vrms(&self) -> f64 {
        *self.shared.level_vrms.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn note_level(&self, level_vrms: f64) {
        *self.shared.level_vrms.lock().unwrap_or_else(PoisonError::into_inner) = level_vrms;
    }

    /// Asks the source for something that can't energise; a failure trips the guard.
    pub(crate) fn ask_source<R: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Source) -> Result<R, InstrumentError> + Send + 'static,
    ) -> Result<R, BenchError> {
        self.finish_ask(self.shared.actors.source.ask(work))
    }

    /// Sets the source frequency, Hz.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_frequency(&self, hz: f64) -> Result<(), BenchError> {
        let outputs = self.shared.file.source.outputs.clone();
        self.send(&self.shared.actors.source, &Command::SourceFrequency { hz }, move |source| {
            outputs.iter().try_for_each(|output| source.set_hz(*output, hz).map(|_| ()))
        })?;
        self.settle_for(self.shared.file.source.settle_ms);
        if let Playing::Burst(drive, _) = self.playing() {
            self.restart_burst(&drive)?;
        }
        Ok(())
    }

    /// Source on, at the level set since it was last off. Where that is more than the guard lets it jump to, it begins
    /// lower and rises.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn source_on(&self) -> Result<(), BenchError> {
        let (playing, level_vrms) = (self.playing(), self.level_vrms());
        let first_vrms = self.limits().next_step_vrms(0.0);
        let rises = self.belief(Output::Source) == Belief::Off && level_vrms > first_vrms;
        match playing {
            _ if !rises => self.switch_source_on(),
            Playing::Continuous => {
                self.send_vrms(&Command::SourceLevel { level_vrms: first_vrms }, first_vrms)?;
                self.note_level(first_vrms);
                self.switch_source_on()?;
                self.set_level(level_vrms)
            }
            Playing::Burst(drive, _) => {
                self.set_continuous(first_vrms)?;
                self.switch_source_on()?;
                self.set_burst(&drive)
            }
            Playing::TwoTone | Playing::Noise => Err(BenchError::Setup(format!(
                "two tones or noise with the peaks of {level_vrms} V rms are more than the source may begin with ({first_vrms} V rms, by source_step_db_max): switch it on first, then play them"
            ))),
        }
    }

    fn switch_source_on(&self) -> Result<(), BenchError> {
        let outputs: Vec<u32> =
            self.shared.file.source.outputs.iter().copied().take(self.shared.driven()).collect();
        self.read_before_first()?;
        self.send(&self.shared.actors.source, &Command::SourceOn, move |source| {
            outputs.iter().try_for_each(|output| source.set_on(*output, true))
        })?;
        self.settle_for(self.shared.file.source.settle_ms);
        Ok(())
    }

    /// Source off, read back.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn source_off(&self) -> Result<(), BenchError> {
        let shared = Arc::clone(&self.shared);
        self.finish_ask(self.shared.actors.source.ask(move |source| {
            source.safe_off()?;
            shared.commanded().note_off(Output::Source);
            Ok(())
        }))?;
        self.note_level(0.0);
        self.shared.guard().source_off(self.now_s(), true);
        self.forget_drives()?;
        self.settle_for(self.shared.file.source.settle_ms);
        Ok(())
    }

    /// Sets the supply's voltage, V.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_supply(&self, volts_v: f64) -> Result<(), BenchError> {
        self.send(&self.shared.actors.supply, &Command::SupplyVolts { volts_v }, move |supply| {
            supply.set_v(SUPPLY_OUTPUT, volts_v).map(|_| ())
        })?;
        self.settle_for(self.shared.file.supply.settle_ms);
        Ok(())
    }

    /// Sets the supply's current limit, A.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn set_supply_limit(&self, amps_a: f64) -> Result<(), BenchError> {
        self.send(&self.shared.actors.supply, &Command::SupplyAmps { amps_a }, move |supply| {
            supply.set_limit_a(SUPPLY_OUTPUT, amps_a).map(|_| ())
        })
    }

    /// Supply on.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn supply_on(&self) -> Result<(), BenchError> {
        self.read_before_first()?;
        self.send(&self.shared.actors.supply, &Command::SupplyOn, |supply| {
            supply.set_on(SUPPLY_OUTPUT, true)
        })?;
        self.settle_for(self.shared.file.supply.settle_ms);
        Ok(())
    }

    /// Supply off, read back.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn supply_off(&self) -> Result<(), BenchError> {
        let shared = Arc::clone(&self.shared);
        self.finish_ask(self.shared.actors.supply.ask(move |supply| {
            supply.safe_off()?;
            shared.commanded().note_off(Output::Supply);
            Ok(())
        }))?;
        self.shared.guard().confirm(self.now_s(), Output::Supply, true);
        Ok(())
    }

    /// Sets the load of every channel to the resistance nearest to `asked_ohm` that there is, and connects it. Where
    /// nobody can set it, nothing is sent.
    ///
    /// # Errors
    /// [`BenchError::Setup`] when the nearest is too far away, with nothing sent; else the guard has tripped.
    pub fn set_load(&self, asked_ohm: f64) -> Result<(), BenchError> {
        let place = &self.shared.file.load;
        let load_ohm = place.nearest(asked_ohm).map_err(|none| BenchError::Setup(none.to_string()))?;
        let command = Command::LoadOhm { load_ohm };
        let Some(actor) = &self.shared.actors.load else { return self.permit(&command) };
        let (channels, tap) = (place.channels.clone(), place.tap(load_ohm));
        self.send(actor, &command, move |load| {
            // A tap goes by its dialect's name for it, whatever it measured.
            let sent_ohm = tap.and_then(|tap| load.taps_ohm().get(tap).copied()).unwrap_or(load_ohm);
            channels.iter().try_for_each(|channel| {
                load.set_ohm(*channel, sent_ohm)?;
                load.connect(*channel)
            })
        })?;
        self.settle_for(place.settle_ms());
        Ok(())
    }

    /// Heatsink temperature, °C.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn heatsink_c(&self) -> Result<f64, BenchError> {
        self.check_stop()?;
        let heatsink_c = self.finish_wait(self.shared.begin_heatsink_c())?;
        self.check_stop()?;
        Ok(heatsink_c.value)
    }

    /// Nothing is switched on before supply current and heatsink were read once.
    fn read_before_first(&self) -> Result<(), BenchError> {
        self.check_stop()?;
        if self.state() != State::Armed {
            return Ok(());
        }
        set_watchdogs(&self.shared, self.shared.watchdog_s());
        let (heatsink, supply) = (self.shared.begin_heatsink_c(), self.shared.begin_supply_a());
        self.finish_wait(supply)?;
        self.finish_wait(heatsink)?;
        self.read_temperatures()?;
        self.check_stop()
    }

    /// Waits until every change made so far has settled.
    ///
    /// # Errors
    /// [`BenchError::Stopped`], [`BenchError::Tripped`].
    pub fn settle(&self) -> Result<(), BenchError> {
        let until_s = *self.shared.settle_until_s.lock().unwrap_or_else(PoisonError::into_inner);
        self.wait(Duration::from_secs_f64((until_s - self.now_s()).clamp(0.0, 3600.0)))
    }

    /// Waits; ends at once when the bench is stopped or trips.
    ///
    /// # Errors
    /// [`BenchError::Stopped`], [`BenchError::Tripped`].
    pub fn wait(&self, length: Duration) -> Result<(), BenchError> {
        self.shared.stop.wait(length);
        self.check_stop()
    }

    pub(crate) fn settle_for(&self, settle_ms: u64) {
        let until_s = self.now_s() + settle_ms as f64 / 1000.0;
        let mut kept = self.shared.settle_until_s.lock().unwrap_or_else(PoisonError::into_inner);
        *kept = kept.max(until_s);
    }

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

    fn permit(&self, command: &Command) -> Result<(), BenchError> {
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
