//! The source: levels in steps the guard allows, frequency, on and off.

use std::sync::{Arc, PoisonError};

use wattproof_guard::{Belief, Command, Output};
use wattproof_instruments::{InstrumentError, Source};

use crate::operation::drives::Playing;
use crate::{Bench, BenchError};

impl Bench {
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
}
