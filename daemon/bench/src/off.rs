//! Carries out a trip: source off first, then supply, load left connected, each read back.

use std::sync::PoisonError;

use wattproof_guard::{Output, State};

use crate::SafeReport;
use crate::shared::Shared;

/// Carries out a trip once; later callers get the same report.
pub(crate) fn safe_once(shared: &Shared) -> SafeReport {
    let mut kept = shared.report.take();
    if let Some(report) = kept.as_ref().filter(|report| report.is_safe()) {
        return report.clone();
    }
    let report = switch_off(shared);
    for warning in &report.warnings {
        tracing::error!("{warning}");
    }
    *kept = Some(report.clone());
    report
}

/// Source, then supply; each tried twice; load left connected.
pub(crate) fn switch_off(shared: &Shared) -> SafeReport {
    let mut report = SafeReport {
        source_off: false,
        supply_off: false,
        supply_a: None,
        out_vrms: None,
        measured_live: false,
        state: State::Tripping,
        warnings: Vec::new(),
    };
    for output in Output::SAFE_ORDER {
        let outcome = off(shared, output).or_else(|_| off(shared, output));
        shared.guard().confirm(shared.clock.now_s(), output, outcome.is_ok());
        match output {
            Output::Source => report.source_off = outcome.is_ok(),
            Output::Supply => report.supply_off = outcome.is_ok(),
        }
        if let Err(error) = outcome {
            report.warnings.push(format!(
                "ALARM: the {output} was not confirmed off ({error}): switch it off by hand, at its mains"
            ));
        }
    }
    *shared.level_vrms.lock().unwrap_or_else(PoisonError::into_inner) = 0.0;
    let mut guard = shared.guard();
    guard.tick(shared.clock.now_s());
    report.state = guard.state();
    report
}

fn off(shared: &Shared, output: Output) -> Result<(), String> {
    // A link is released on the instrument's own thread, after whatever was interrupted there has ended.
    let asked = match output {
        Output::Source => shared.actors.source.ask(|source| {
            source.canceller().clear();
            source.safe_off()
        }),
        Output::Supply => shared.actors.supply.ask(|supply| {
            supply.canceller().clear();
            supply.safe_off()
        }),
    };
    asked.map_err(|gone| gone.to_string())?.map_err(|error| error.to_string())
}
