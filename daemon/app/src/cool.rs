//! Waits until an amplifier is cool, with the bench open and everything off.

use std::time::Duration;

use wattproof_bench::Bench;
use wattproof_runs::RunError;

/// How often the heatsink is asked.
const ASK_EACH: Duration = Duration::from_secs(2);

/// Waits until the heatsink is at or below `to_c`, °C; `tell` hears what it is, each time that it was asked.
pub fn cool(bench: &Bench, to_c: Option<f64>, tell: impl Fn(f64, f64)) -> Result<(), RunError> {
    let Some(to_c) = to_c else { return Ok(()) };
    loop {
        let heatsink_c = bench.heatsink_c()?;
        // What is no number is not cool.
        if heatsink_c <= to_c {
            return Ok(());
        }
        tell(heatsink_c, to_c);
        bench.wait(ASK_EACH)?;
    }
}
