//! A resistive load.

use wattproof_link::Link;

use crate::dialect::Dialect;
use crate::error::InstrumentError;
use crate::instrument::{Instrument, at, shares_instrument};
use crate::role::Role;
use crate::template::Value;

/// A resistive load. Inputs count from 1.
#[derive(Debug)]
pub struct Load {
    instrument: Instrument,
}

shares_instrument!(Load);

impl Load {
    /// Identifies what is on the link. Switches nothing.
    ///
    /// # Errors
    /// Link failures, an answer that is no identity, a dialect of another role, reported errors.
    pub fn over(link: Box<dyn Link>, dialect: &Dialect, name: &str) -> Result<Load, InstrumentError> {
        Ok(Load { instrument: Instrument::begin(link, Role::Load, dialect, name)? })
    }

    /// How many inputs it has.
    pub fn inputs(&self) -> u32 {
        self.instrument.dialect().channels
    }

    /// Sets the resistance, ohm; returns the resistance read back, None where the dialect does not read back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn set_ohm(&mut self, input: u32, ohm: f64) -> Result<Option<f64>, InstrumentError> {
        self.instrument.tell("set_ohm", &[at(input), ("ohm", Value::Number(ohm))])
    }

    /// The resistance set, ohm.
    ///
    /// # Errors
    /// Link failures, an answer that is no number, reported errors.
    pub fn ohm(&mut self, input: u32) -> Result<f64, InstrumentError> {
        self.instrument.number("get_ohm", &[at(input)])
    }

    /// Connects the load to the amplifier and reads it back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn connect(&mut self, input: u32) -> Result<(), InstrumentError> {
        self.instrument.tell("connect", &[at(input)])?;
        Ok(())
    }

    /// Takes the load off the amplifier and reads it back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn disconnect(&mut self, input: u32) -> Result<(), InstrumentError> {
        self.instrument.tell("disconnect", &[at(input)])?;
        Ok(())
    }

    /// Whether the load is connected.
    ///
    /// # Errors
    /// Link failures, an answer that is no state, reported errors.
    pub fn is_connected(&mut self, input: u32) -> Result<bool, InstrumentError> {
        self.instrument.state("get_connected", &[at(input)])
    }
}
