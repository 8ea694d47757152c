//! A sine source.

use wattproof_link::Link;

use crate::dialect::Dialect;
use crate::error::InstrumentError;
use crate::instrument::{Instrument, at, shares_instrument};
use crate::role::Role;
use crate::template::Value;

/// A sine source. Outputs count from 1.
#[derive(Debug)]
pub struct Source {
    instrument: Instrument,
}

shares_instrument!(Source);

impl Source {
    /// Identifies what is on the link. Switches nothing.
    ///
    /// # Errors
    /// Link failures, an answer that is no identity, a dialect of another role, reported errors.
    pub fn over(link: Box<dyn Link>, dialect: &Dialect, name: &str) -> Result<Source, InstrumentError> {
        Ok(Source { instrument: Instrument::begin(link, Role::Source, dialect, name)? })
    }

    /// How many outputs it has.
    pub fn outputs(&self) -> u32 {
        self.instrument.dialect().channels
    }

    /// Sets the frequency, Hz; returns the frequency read back, None where the dialect does not read back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn set_hz(&mut self, output: u32, hz: f64) -> Result<Option<f64>, InstrumentError> {
        self.instrument.tell("set_hz", &[at(output), ("hz", Value::Number(hz))])
    }

    /// The frequency set, Hz.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn hz(&mut self, output: u32) -> Result<f64, InstrumentError> {
        self.instrument.number("get_hz", &[at(output)])
    }

    /// Sets the level, V rms; returns the level read back, None where the dialect does not read back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn set_vrms(&mut self, output: u32, vrms: f64) -> Result<Option<f64>, InstrumentError> {
        self.instrument.tell("set_vrms", &[at(output), ("volts", Value::Number(vrms))])
    }

    /// The level set, V rms.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn vrms(&mut self, output: u32) -> Result<f64, InstrumentError> {
        self.instrument.number("get_vrms", &[at(output)])
    }

    /// The highest level it can be set to, V rms. None where the dialect cannot ask.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn vrms_max(&mut self, output: u32) -> Result<Option<f64>, InstrumentError> {
        self.instrument.number_if_known("get_vrms_max", &[at(output)])
    }

    /// Switches an output on or off and reads it back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn set_on(&mut self, output: u32, on: bool) -> Result<(), InstrumentError> {
        self.instrument.tell(if on { "set_on" } else { "set_off" }, &[at(output)])?;
        Ok(())
    }

    /// Whether an output is on.
    ///
    /// # Errors
    /// Link failures, an answer that is no state, reported errors.
    pub fn is_on(&mut self, output: u32) -> Result<bool, InstrumentError> {
        self.instrument.state("get_on", &[at(output)])
    }

    /// Switches all outputs off and reads them back, whatever state the session is in.
    ///
    /// # Errors
    /// OFF could not be sent, or is not confirmed: the output must then count as on.
    pub fn safe_off(&mut self) -> Result<(), InstrumentError> {
        let outputs = self.outputs();
        self.instrument.off("set_off", "get_on", outputs)
    }
}
