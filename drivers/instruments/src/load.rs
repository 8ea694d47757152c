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

    /// The resistances it has, ohm, rising; empty where it is set to any.
    pub fn taps_ohm(&self) -> &[f64] {
        &self.instrument.dialect().taps_ohm
    }

    /// Sets the resistance, ohm; returns the resistance read back, None where the dialect does not read back. A load
    /// with taps takes those only.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`, a resistance that is no tap.
    pub fn set_ohm(&mut self, input: u32, ohm: f64) -> Result<Option<f64>, InstrumentError> {
        if self.taps_ohm().is_empty() {
            return self.instrument.tell("set_ohm", &[at(input), ("ohm", Value::Number(ohm))]);
        }
        let tap = self.tap_of(ohm)?;
        if !self.instrument.dialect().names_taps() {
            return self.instrument.tell("set_ohm", &[at(input), ("ohm", Value::Number(ohm))]);
        }
        let read = self.instrument.tell("set_ohm", &[at(input), ("tap", Value::Count(tap))])?;
        read.map(|tap| self.ohm_of(tap)).transpose()
    }

    /// The resistance set, ohm.
    ///
    /// # Errors
    /// Link failures, an answer that is no number or no tap, reported errors.
    pub fn ohm(&mut self, input: u32) -> Result<f64, InstrumentError> {
        let answered = self.instrument.number("get_ohm", &[at(input)])?;
        if self.instrument.dialect().names_taps() { self.ohm_of(answered) } else { Ok(answered) }
    }

    /// The number of a tap, from 1.
    fn tap_of(&self, ohm: f64) -> Result<u32, InstrumentError> {
        let found = (1u32..).zip(self.taps_ohm()).find(|(_, tap_ohm)| (ohm - **tap_ohm).abs() <= 1e-9 * ohm);
        found.map(|(tap, _)| tap).ok_or_else(|| {
            self.instrument.refuse(format!("{ohm} ohm is none of the load's taps, {:?} ohm", self.taps_ohm()))
        })
    }

    /// The resistance of the tap that the load answered.
    fn ohm_of(&self, tap: f64) -> Result<f64, InstrumentError> {
        let found = (1u32..).zip(self.taps_ohm()).find(|(number, _)| f64::from(*number) == tap);
        found.map(|(_, ohm)| *ohm).ok_or_else(|| {
            self.instrument
                .not_taken(format!("a tap from 1 to {}", self.taps_ohm().len()), format!("tap {tap}"))
        })
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
