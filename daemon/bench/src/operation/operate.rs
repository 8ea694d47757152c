//! What a run can do with an open bench. Everything that can energise passes the guard first.

use std::sync::atomic::Ordering;
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use wattproof_guard::{Belief, Command, Output, State};

use crate::safety::unasked::{look, set_watchdogs};
use crate::shared::SUPPLY_OUTPUT;
use crate::{Arming, Bench, BenchError};

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
    pub(crate) fn read_before_first(&self) -> Result<(), BenchError> {
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
}
