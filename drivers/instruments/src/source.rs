//! A sine source, with bursts and a second tone where its dialect has them.

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

    /// Whether it can play bursts, as its dialect says.
    pub fn can_burst(&self) -> bool {
        self.instrument.dialect().can("set_burst_on")
    }

    /// Whether it can play a second tone, as its dialect says.
    pub fn can_two_tone(&self) -> bool {
        self.instrument.dialect().can("set_second_on")
    }

    /// Whether it can play white, or pink, noise, as its dialect says.
    pub fn can_noise(&self, pink: bool) -> bool {
        let dialect = self.instrument.dialect();
        dialect.can("set_noise_off") && dialect.can(noise_word(pink))
    }

    /// Whether the crest factor of its noise can be set.
    pub fn can_crest(&self) -> bool {
        self.instrument.dialect().can("set_crest")
    }

    /// Sets the crest factor of an output's noise, peak over rms as a ratio. Switches nothing.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`; `Unsupported` where the dialect has none.
    pub fn set_crest(&mut self, output: u32, ratio: f64) -> Result<(), InstrumentError> {
        self.instrument.tell("set_crest", &[at(output), ("ratio", Value::Number(ratio))])?;
        Ok(())
    }

    /// Plays white, or pink, noise in place of a tone, at the level that is set, and reads it back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`; `Unsupported` where the dialect has no such noise.
    pub fn set_noise(&mut self, output: u32, pink: bool) -> Result<(), InstrumentError> {
        self.instrument.tell(noise_word(pink), &[at(output)])?;
        Ok(())
    }

    /// Sets what a burst of an output is made of beside level and frequency: cycles at the level, cycles and
    /// level between (V rms). Switches nothing.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`; `Unsupported` where the dialect has no bursts.
    pub fn set_burst(
        &mut self,
        output: u32,
        cycles: u32,
        rest_cycles: u32,
        rest_vrms: f64,
    ) -> Result<(), InstrumentError> {
        self.instrument.tell("set_rest_vrms", &[at(output), ("volts", Value::Number(rest_vrms))])?;
        self.instrument.tell("set_burst_cycles", &[at(output), ("cycles", Value::Count(cycles))])?;
        self.instrument.tell("set_rest_cycles", &[at(output), ("cycles", Value::Count(rest_cycles))])?;
        Ok(())
    }

    /// Switches between bursts and a continuous tone, and reads it back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`; `Unsupported` where the dialect has no bursts.
    pub fn set_burst_on(&mut self, output: u32, on: bool) -> Result<(), InstrumentError> {
        self.instrument.tell(if on { "set_burst_on" } else { "set_burst_off" }, &[at(output)])?;
        Ok(())
    }

    /// Begins the bursts of all outputs now, together; does nothing where the dialect can't.
    ///
    /// # Errors
    /// Link failures, reported errors.
    pub fn restart_bursts(&mut self) -> Result<(), InstrumentError> {
        if self.instrument.dialect().can("restart_bursts") {
            self.instrument.tell("restart_bursts", &[])?;
        }
        Ok(())
    }

    /// Sets the frequency of the second tone, Hz. Switches nothing.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`; `Unsupported` where the dialect has no second tone.
    pub fn set_second_hz(&mut self, output: u32, hz: f64) -> Result<(), InstrumentError> {
        self.instrument.tell("set_second_hz", &[at(output), ("hz", Value::Number(hz))])?;
        Ok(())
    }

    /// Sets the level of the second tone, V rms.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`; `Unsupported` where the dialect has no second tone.
    pub fn set_second_vrms(&mut self, output: u32, vrms: f64) -> Result<(), InstrumentError> {
        self.instrument.tell("set_second_vrms", &[at(output), ("volts", Value::Number(vrms))])?;
        Ok(())
    }

    /// Switches the second tone on or off and reads it back.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`; `Unsupported` where the dialect has no second tone.
    pub fn set_second_on(&mut self, output: u32, on: bool) -> Result<(), InstrumentError> {
        self.instrument.tell(if on { "set_second_on" } else { "set_second_off" }, &[at(output)])?;
        Ok(())
    }

    /// Back to a continuous single tone on every output, as far as the dialect knows anything else.
    ///
    /// # Errors
    /// Link failures, reported errors, `NotTaken`.
    pub fn set_continuous(&mut self) -> Result<(), InstrumentError> {
        for output in 1..=self.outputs() {
            if self.can_burst() {
                self.set_burst_on(output, false)?;
            }
            if self.can_two_tone() {
                self.set_second_on(output, false)?;
            }
            if self.can_noise(true) || self.can_noise(false) {
                self.instrument.tell("set_noise_off", &[at(output)])?;
            }
        }
        Ok(())
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

/// The operation that plays white, or pink, noise.
fn noise_word(pink: bool) -> &'static str {
    if pink { "set_noise_pink" } else { "set_noise_white" }
}
