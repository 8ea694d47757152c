use wattproof_scpi::{Call, ScpiError};

/// Resolution, °C.
const STEP_C: f64 = 0.01;

/// Answers `MEAS:TEMP? (@list)` with a temperature of each input asked for, of the first without a list.
pub(crate) fn answer_celsius(
    call: &mut Call<'_>,
    inputs: u32,
    of: impl Fn(u32) -> f64,
) -> Result<(), ScpiError> {
    let wanted = match call.optional(0) {
        Some(list) => list.channels(1..=inputs)?,
        None => vec![1],
    };
    for input in wanted {
        call.reply.nr2((of(input) / STEP_C).round() * STEP_C, 2);
    }
    Ok(())
}
