use wattproof_scpi::{Call, Numeric, ScpiError};

/// SETTling in the OPERation register (SCPI-1999).
pub(crate) const OPERATION_SETTLING: u16 = 1 << 1;
/// MEASuring in the OPERation register.
pub(crate) const OPERATION_MEASURING: u16 = 1 << 4;
/// VOLTage in the QUEStionable register.
pub(crate) const QUESTIONABLE_VOLTAGE: u16 = 1;
/// CURRent in the QUEStionable register.
pub(crate) const QUESTIONABLE_CURRENT: u16 = 1 << 1;
/// TEMPerature in the QUEStionable register.
pub(crate) const QUESTIONABLE_TEMPERATURE: u16 = 1 << 4;

/// A numeric setting: its unit on the wire and what it may be.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Span {
    pub unit: &'static str,
    pub min: f64,
    pub max: f64,
    pub default: f64,
}

impl Span {
    /// The value the first parameter asks for.
    pub fn take(&self, call: &Call<'_>) -> Result<f64, ScpiError> {
        call.param(0)?.numeric(self.unit)?.within(self.min..=self.max, self.default)
    }

    /// Answers a query with the value set, or with a limit when the query asks for `MIN`, `MAX` or `DEF`.
    pub fn answer(&self, call: &mut Call<'_>, value: f64) -> Result<(), ScpiError> {
        let shown = self.shown(call, value)?;
        call.reply.nr3(shown);
        Ok(())
    }

    /// The same for whole numbers.
    pub fn answer_whole(&self, call: &mut Call<'_>, value: f64) -> Result<(), ScpiError> {
        let shown = self.shown(call, value)?;
        call.reply.nr2(shown, 0);
        Ok(())
    }

    fn shown(&self, call: &Call<'_>, value: f64) -> Result<f64, ScpiError> {
        let Some(param) = call.optional(0) else { return Ok(value) };
        match param.numeric("")? {
            Numeric::Minimum => Ok(self.min),
            Numeric::Maximum => Ok(self.max),
            Numeric::Default => Ok(self.default),
            _ => Err(ScpiError::with_info(-224, "a query takes MIN, MAX or DEF")),
        }
    }
}

/// The suffix of the header's first `#`, from 1 to `count`, as an index from 0.
pub(crate) fn channel(call: &Call<'_>, count: u32) -> Result<usize, ScpiError> {
    let suffix = call.suffix(0, 1..=count)?;
    Ok(suffix as usize - 1)
}
