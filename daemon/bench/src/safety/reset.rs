//! A person's reset: shows what happened, and lets the bench be armed again once it is gone.

use serde::Serialize;
use wattproof_guard::{Evidence, MessageKind, Output, State, TripCause};

use crate::safety::off::switch_off;
use crate::safety::safe::measure_dead;
use crate::shared::{SUPPLY_OUTPUT, Shared};
use crate::wire::failed::{failed, gone};
use crate::{Bench, BenchError, SafeReport};

/// A latched trip, as a person is shown it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Standing {
    /// TRIPPED, or ALARM while an output is not confirmed off; TRIPPING while it is being carried out.
    pub state: State,
    /// The first cause.
    pub cause: TripCause,
    /// What came after it.
    pub evidence: Vec<Evidence>,
    /// How many more there were.
    pub evidence_more: u64,
    /// When it was latched by an earlier start of the program, seconds since 1970 (UTC).
    pub at_unix_s: Option<u64>,
    /// The number that the reset must quote. Asked for again, it is another one and this one is worth nothing.
    pub nonce: u64,
}

impl Bench {
    /// The trip that stands, with a fresh number to quote; None when nothing is latched.
    pub fn standing(&self) -> Option<Standing> {
        let mut guard = self.shared.guard();
        let nonce = guard.renew_nonce()?;
        let trip = guard.trip()?;
        Some(Standing {
            state: guard.state(),
            cause: trip.cause.clone(),
            evidence: trip.evidence.clone(),
            evidence_more: trip.evidence_more,
            at_unix_s: self.latched().as_ref().map(|latch| latch.at_unix_s),
            nonce,
        })
    }

    /// Switches everything off once more, reads it back, clears the supply's own protection, reads it back again,
    /// measures, and resets the latch if the number is the present one, every output is off and dead, and the heatsink
    /// is within its limit. Energises nothing; a supply that does by itself is switched off again.
    ///
    /// # Errors
    /// [`BenchError::Refused`] with what stands against it; [`BenchError::Latch`] when the file can't be removed, so
    /// that the next start will find the trip again.
    pub fn reset(&self, nonce: u64) -> Result<SafeReport, BenchError> {
        let _turn = self.shared.ending.take();
        let stops = self.shared.stop.count();
        // A setting that the trip cut short has come to its end before anything can be armed again. Source and supply are
        // waited for by their OFF.
        if let Some(load) = &self.shared.actors.load {
            load.ask(|load| load.canceller().clear())?;
        }
        let mut report = switch_off(&self.shared);
        clear_protection(&self.shared, &mut report);
        measure_dead(&self.shared, &mut report);
        for warning in &report.warnings {
            tracing::error!("{warning}");
        }
        {
            // Under one lock: the safety thread must not see the stop of before after the reset.
            let mut guard = self.shared.guard();
            // A stop beats a reset that was begun before it.
            if self.shared.stop.count() != stops {
                let by = self.shared.stop.stopped_by().unwrap_or_default();
                return Err(BenchError::Stopped(by));
            }
            guard.reset(self.now_s(), nonce)?;
            self.shared.latch.forget();
            self.shared.stop.clear();
        }
        // What trips from now on is told by its own cause, also in this process.
        *self.latched() = None;
        self.shared.latch.clear()?;
        *self.shared.report.take() = None;
        report.state = self.state();
        Ok(report)
    }
}

/// A supply whose protection has tripped takes no ON until that is cleared; only with everything confirmed off.
fn clear_protection(shared: &Shared, report: &mut SafeReport) {
    if shared.guard().may_send(shared.clock.now_s(), MessageKind::Clear).is_err() {
        return;
    }
    match shared.actors.supply.ask(|supply| supply.clear_protection(SUPPLY_OUTPUT)) {
        Ok(Ok(false)) => {}
        Ok(Ok(true)) => {
            shared.guard().confirm(shared.clock.now_s(), Output::Supply, false);
            let off = switch_off(shared);
            let word = if off.supply_off { "it was switched off again" } else { "ALARM: it is still on" };
            report.warnings.push(format!(
                "clearing the protection of the supply switched its output on: {word}; leave this supply's output switched off at its front panel before its protection trips again"
            ));
            report.warnings.extend(off.warnings);
            (report.source_off, report.supply_off) = (off.source_off, off.supply_off);
        }
        Ok(Err(error)) => {
            failed(shared, &error);
            report.warnings.push(format!("the supply's protection was not cleared: {error}"));
        }
        Err(error) => gone(shared, &error),
    }
}
