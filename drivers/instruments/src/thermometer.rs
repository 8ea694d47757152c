//! A thermometer.

use wattproof_link::Link;

use crate::dialect::Dialect;
use crate::error::InstrumentError;
use crate::instrument::{Instrument, shares_instrument};
use crate::role::Role;

/// A thermometer. Sensors count from 1.
#[derive(Debug)]
pub struct Thermometer {
    instrument: Instrument,
}

shares_instrument!(Thermometer);

impl Thermometer {
    /// Identifies what is on the link.
    ///
    /// # Errors
    /// Link failures, an answer that is no identity, a dialect of another role, reported errors.
    pub fn over(link: Box<dyn Link>, dialect: &Dialect, name: &str) -> Result<Thermometer, InstrumentError> {
        Ok(Thermometer { instrument: Instrument::begin(link, Role::Thermometer, dialect, name)? })
    }

    /// How many sensors it has.
    pub fn sensors(&self) -> u32 {
        self.instrument.dialect().channels
    }

    /// The temperature of a sensor, °C.
    ///
    /// # Errors
    /// Link failures, an answer that is no number (an open sensor), reported errors.
    pub fn measure_c(&mut self, sensor: u32) -> Result<f64, InstrumentError> {
        self.instrument.measure_c(sensor)
    }
}
