//! A dc supply.

use wattproof_link::Link;

use crate::dialect::Dialect;
use crate::error::InstrumentError;
use crate::instrument::{Instrument, at, shares_instrument};
use crate::role::Role;
use crate::template::Value;

/// A dc supply. Outputs count from 1.
#[derive(Debug)]
pub struct Supply {
    instrument: Instrument,
}

shares_instrument!(Supply);

impl Supply {
    /// Identifies what is on the link. Switches nothing.
    ///
    /// # Errors
    /// Link failures, an answer that is no identity, a dialect of another role, reported errors.
    pub fn over(link: Box<dyn Link>, dialect: &Dialect, name: &str) -> Result<Supply, InstrumentError> {
        Ok(Supply { instrument: Instrument::begin(link, Role::Supply, dialect, name)? })
    }

    /// How many outputs it has.
    pub fn outputs(&self) -> u32 {
        self.instrument.dialect().channels
    }

    /// Sets the voltage, V; returns the voltage read back, None where the dialect does not read back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn set_v(&mut self, output: u32, v: f64) -> Result<Option<f64>, InstrumentError> {
        self.instrument.tell("set_v", &[at(output), ("volts", Value::Number(v))])
    }

    /// The voltage set, V.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn v(&mut self, output: u32) -> Result<f64, InstrumentError> {
        self.instrument.number("get_v", &[at(output)])
    }

    /// The highest voltage it can be set to, V. None where the dialect cannot ask.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn v_max(&mut self, output: u32) -> Result<Option<f64>, InstrumentError> {
        self.instrument.number_if_known("get_v_max", &[at(output)])
    }

    /// Sets the current limit, A; returns the limit read back, None where the dialect does not read back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn set_limit_a(&mut self, output: u32, a: f64) -> Result<Option<f64>, InstrumentError> {
        self.instrument.tell("set_limit_a", &[at(output), ("amps", Value::Number(a))])
    }

    /// The current limit set, A.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn limit_a(&mut self, output: u32) -> Result<f64, InstrumentError> {
        self.instrument.number("get_limit_a", &[at(output)])
    }

    /// The highest current limit it can be set to, A. None where the dialect cannot ask.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn limit_a_max(&mut self, output: u32) -> Result<Option<f64>, InstrumentError> {
        self.instrument.number_if_known("get_limit_a_max", &[at(output)])
    }

    /// Sets its own over-voltage protection, V; returns the level read back, None where the dialect does not
    /// read back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`, `Unsupported` where the dialect has no protection.
    pub fn set_protection_v(&mut self, output: u32, v: f64) -> Result<Option<f64>, InstrumentError> {
        self.instrument.tell("set_protection_v", &[at(output), ("volts", Value::Number(v))])
    }

    /// The level of its over-voltage protection, V. None where the dialect cannot ask.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn protection_v(&mut self, output: u32) -> Result<Option<f64>, InstrumentError> {
        self.instrument.number_if_known("get_protection_v", &[at(output)])
    }

    /// Clears its tripped protection and tells whether the output is on afterwards: some supplies switch it on again as
    /// it was before. Does nothing but ask where the dialect has no protection to clear.
    ///
    /// # Errors
    /// Link failures, reported errors, an answer that is no state.
    pub fn clear_protection(&mut self, output: u32) -> Result<bool, InstrumentError> {
        if self.instrument.dialect().can("clear_protection") {
            self.instrument.tell("clear_protection", &[at(output)])?;
        }
        self.is_on(output)
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

    /// The voltage at its terminals, V.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn measure_v(&mut self, output: u32) -> Result<f64, InstrumentError> {
        self.measure_v_telling(output, |_| ())
    }

    /// The same; `tell` hears the voltage as soon as it is read, before reported errors are asked for.
    ///
    /// # Errors
    /// Those of [`Supply::measure_v`].
    pub fn measure_v_telling(&mut self, output: u32, tell: impl FnOnce(f64)) -> Result<f64, InstrumentError> {
        self.instrument.number_telling("measure_v", &[at(output)], tell)
    }

    /// The current it gives, A.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn measure_a(&mut self, output: u32) -> Result<f64, InstrumentError> {
        self.measure_a_telling(output, |_| ())
    }

    /// The same; `tell` hears the current as soon as it is read, before reported errors are asked for.
    ///
    /// # Errors
    /// Those of [`Supply::measure_a`].
    pub fn measure_a_telling(&mut self, output: u32, tell: impl FnOnce(f64)) -> Result<f64, InstrumentError> {
        self.instrument.number_telling("measure_a", &[at(output)], tell)
    }

    /// Switches all outputs off and reads them back, whatever state the session is in.
    ///
    /// # Errors
    /// OFF could not be sent, or is not confirmed: the output must then count as on.
    pub fn safe_off(&mut self) -> Result<(), InstrumentError> {
        let outputs = self.outputs();
        self.instrument.off("set_off", "get_on", outputs)
    }

    /// Whether the bytes of the last OFF left, also where it was not confirmed.
    pub fn off_left(&self) -> bool {
        self.instrument.off_left()
    }

    /// The bytes that switch all outputs off, for a process that holds a duplicate of the port.
    ///
    /// # Errors
    /// The dialect's template can't be filled in.
    pub fn off_bytes(&self) -> Result<Vec<u8>, InstrumentError> {
        self.instrument.off_bytes("set_off", self.outputs())
    }
}
