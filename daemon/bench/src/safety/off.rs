//! Carries out a trip: source and supply off, load left connected, each read back; what does not obey is cut upstream.
//!
//! Both are switched off at the same time, each on its own thread, source first in line: a port that hangs delays
//! nobody else's OFF. Nothing here waits for disk, script or another instrument's port before the OFF bytes leave.

use std::sync::PoisonError;

use wattproof_guard::{Output, State};
use wattproof_instruments::InstrumentError;

use crate::safety::attempt::{NotOff, Outcome, both};
use crate::safety::safe::measure_dead;
use crate::shared::Shared;
use crate::wire::actor::Pending;
use crate::{Actor, SafeReport};

/// How long outputs may take to be confirmed off before the alarm, s.
pub(crate) const OFF_DEADLINE_S: f64 = 3.0;
/// How often an OFF is tried before the next means upstream is used.
const TRIES: usize = 2;

/// The means of cutting everything, upstream of the supply: a contactor, a mains switch. Waits for nothing but the
/// thing it drives.
///
/// # Errors
/// What happened, and what a person must do.
pub type CutUpstream = Box<dyn Fn() -> Result<(), String> + Send + Sync>;

/// Carries out a trip once; later callers get the same report, unless something has become doubtful since.
pub(crate) fn safe_once(shared: &Shared) -> SafeReport {
    let _busy = shared.pulse.carrying_out();
    let mut kept = shared.report.take();
    let stands = !shared.guard().needs_off();
    if let Some(report) = kept.as_ref().filter(|report| report.is_safe() && stands) {
        return report.clone();
    }
    // Whatever is under way on these two ports is less urgent than OFF; each OFF lifts this on its own port.
    shared.off_cancellers.iter().for_each(wattproof_link::Canceller::cancel);
    let mut report = switch_off(shared);
    if report.state == State::Alarm && report.source_off && report.supply_off {
        // What was measured live must be measured dead: their word alone does not count any more.
        measure_dead(shared, &mut report);
    }
    for warning in &report.warnings {
        tracing::error!("{warning}");
    }
    *kept = Some(report.clone());
    report
}

/// Source and supply at once; each tried twice, and again as long as the other is under way if its bytes never left; load
/// left connected.
pub(crate) fn switch_off(shared: &Shared) -> SafeReport {
    let mut report = SafeReport::unknown();
    let source = || {
        begin(shared, &shared.actors.source, Output::Source, |source| {
            source.canceller().clear();
            source.safe_off().map_err(|error| not_off(&error, source.off_left()))
        })
    };
    let supply = || {
        begin(shared, &shared.actors.supply, Output::Supply, |supply| {
            supply.canceller().clear();
            supply.safe_off().map_err(|error| not_off(&error, supply.off_left()))
        })
    };
    let (source, supply) = both(&source, &supply);
    (report.source_off, report.supply_off) = (source.is_ok(), supply.is_ok());
    for (output, outcome) in [(Output::Source, source), (Output::Supply, supply)] {
        if let Err(NotOff { why, .. }) = outcome {
            shared.guard().confirm(shared.clock.now_s(), output, false);
            report.warnings.push(format!(
                "ALARM: the {output} was not confirmed off ({why}): switch it off by hand, at its mains"
            ));
            cut_upstream(shared, output, &mut report);
        }
    }
    // Its contacts open without load where everything went well, and cut what did not obey.
    if let Err(why) = shared.contactor.release_and_look() {
        report.contactor_closed = true;
        report.warnings.push(format!("ALARM: {why}"));
    }
    *shared.level_vrms.lock().unwrap_or_else(PoisonError::into_inner) = 0.0;
    let mut guard = shared.guard();
    guard.tick(shared.clock.now_s());
    report.state = guard.state();
    report
}

/// Puts an OFF in line on the instrument's own thread, which also tells the guard when it is confirmed: another
/// instrument's silence can't delay that.
fn begin<T: Send + 'static>(
    shared: &Shared,
    actor: &Actor<T>,
    output: Output,
    off: fn(&mut T) -> Outcome,
) -> Pending<Outcome> {
    let shared = shared.me.clone();
    actor.begin(move |instrument| {
        let again = |instrument: &mut T, before: NotOff| {
            off(instrument).map_err(|not| NotOff { left: not.left || before.left, ..not })
        };
        let tried =
            (1..TRIES).fold(off(instrument), |tried, _| tried.or_else(|before| again(instrument, before)));
        if let (Ok(()), Some(shared)) = (&tried, shared.upgrade()) {
            shared.commanded().note_off(output);
            shared.guard().confirm(shared.clock.now_s(), output, true);
        }
        tried
    })
}

fn not_off(error: &InstrumentError, left: bool) -> NotOff {
    NotOff { why: error.to_string(), left }
}

/// Source → supply → what the bench has upstream of that. A source that does not obey is made harmless by the
/// supply, where that is off.
pub(crate) fn cut_upstream(shared: &Shared, output: Output, report: &mut SafeReport) {
    if output == Output::Source && report.supply_off && !report.measured_live {
        return;
    }
    if shared.contactor.exists() {
        match shared.contactor.release() {
            Ok(()) => report.warnings.push(format!("the contactor was let go for the {output}")),
            Err(why) => report.warnings.push(format!("ALARM: {why}")),
        }
    }
    let Some(cut) = &shared.cut_upstream else { return };
    match cut() {
        Ok(()) => report.warnings.push(format!("everything was cut upstream of the {output}")),
        Err(error) => report.warnings.push(format!("ALARM: not cut upstream of the {output}: {error}")),
    }
}
