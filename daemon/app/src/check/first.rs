//! A rehearsal ahead of a run: what would fail there must not be tried with a kilowatt.

use wattproof_bench::BenchFile;
use wattproof_rehearsal::{HOURS, RehearsalOrder, rehearse};
use wattproof_runs::{Nameplate, Script};

use super::told;
use crate::failure::Failure;

/// Rehearses a script that is to be run, unless the bench is a virtual one: there nothing can be harmed.
///
/// # Errors
/// [`Failure`] when it does not come to its end, or can't be rehearsed; nothing was opened then.
pub fn rehearse_first(
    script: &Script,
    bench: &BenchFile,
    nameplate: &Nameplate,
    selfcheck: bool,
) -> Result<(), Failure> {
    if bench.virtual_bench {
        return Ok(());
    }
    let order = RehearsalOrder {
        script: script.clone(),
        nameplate: nameplate.clone(),
        bench,
        selfcheck,
        hours: HOURS,
    };
    let refused = |what: String| {
        Failure::Said(format!(
            "{what}\nthe script does not come through its rehearsal, and no port was opened; mend it (`wattproof check` tells more), or run it with --unrehearsed"
        ))
    };
    let rehearsal = rehearse(order).map_err(|error| refused(error.to_string()))?;
    rehearsal.error.map_or(Ok(()), |error| Err(refused(told::failed(&error, rehearsal.stood.as_deref()))))
}
