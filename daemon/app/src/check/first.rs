//! A rehearsal ahead of a run: what would fail there must not be tried with a kilowatt.

use wattproof_bench::BenchFile;
use wattproof_rehearsal::{HOURS, RehearsalOrder, rehearse};
use wattproof_runs::{Nameplate, Script, Set};

use super::told;
use crate::failure::Failure;

/// What is to be run, and is rehearsed first.
pub struct First {
    /// The script.
    pub script: Script,
    /// What is set of its parameters.
    pub set: Set,
    /// The bench.
    pub bench: BenchFile,
    /// The amplifier.
    pub nameplate: Nameplate,
    /// Whether the run begins with a self-check.
    pub selfcheck: bool,
}

impl First {
    /// Rehearses it, unless the bench is a virtual one: there nothing can be harmed.
    ///
    /// # Errors
    /// [`Failure`] when it does not come to its end, or can't be rehearsed; nothing was opened then.
    pub fn rehearse(self) -> Result<(), Failure> {
        if self.bench.virtual_bench {
            return Ok(());
        }
        let First { script, set, bench, nameplate, selfcheck } = self;
        let order = RehearsalOrder { script, set, nameplate, bench: &bench, selfcheck, hours: HOURS };
        let refused = |what: String| {
            Failure::Said(format!(
                "{what}\nthe script does not come through its rehearsal, and no port was opened; mend it (`wattproof check` tells more), or run it with --unrehearsed"
            ))
        };
        let rehearsal = rehearse(order).map_err(|error| refused(error.to_string()))?;
        told::failed(&rehearsal).map_or(Ok(()), |why| Err(refused(why)))
    }
}
