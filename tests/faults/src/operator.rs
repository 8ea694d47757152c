//! The operator at a latched bench: resets in haste, with a number of before, and as it should be done.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use wattproof_bench::{Bench, BenchError};
use wattproof_guard::{State, TripCause};

use crate::fault::{Fault, Kind};
use crate::site::Site;

/// How often an operator looks.
const LOOKS: Duration = Duration::from_millis(50);
/// From one reset to the next, as somebody does who does not wait.
const AGAIN: Duration = Duration::from_millis(700);
/// Most resets of one operator.
const RESETS_MAX: u32 = 4;
/// Who stops the bench after it was armed again.
const SECOND: &str = "the operator, after the reset";

/// Quotes a number as soon as one is shown, while whatever goes on goes on.
pub fn resets_early(site: &Arc<Site>, fault: &Fault) {
    let mut left = fault.times.min(RESETS_MAX);
    while left > 0 && site.scheduler.now() < fault.until() && !site.is_over() {
        site.operators.fetch_add(1, Ordering::Relaxed);
        let standing = site.bench().filter(|bench| bench.state() != State::Safe);
        let quoted = standing.is_some_and(|bench| reset(site, &bench, fault).is_some());
        site.operators.fetch_sub(1, Ordering::Relaxed);
        left -= u32::from(quoted);
        site.scheduler.wait(None, Some(if quoted { AGAIN } else { LOOKS }));
    }
}

/// Waits until nobody is at the bench any more.
pub fn wait_for_all(site: &Site) {
    while site.operators.load(Ordering::Relaxed) > 0 {
        site.scheduler.wait(None, Some(LOOKS));
    }
}

/// Looks and quotes; None when nothing stands, else whether it was granted.
fn reset(site: &Arc<Site>, bench: &Arc<Bench>, fault: &Fault) -> Option<bool> {
    let daemon = site.present_daemon();
    let first = bench.standing()?;
    site.struck(fault);
    site.checker().shows_number(site.scheduler.now_s(), first.nonce);
    if fault.kind == Kind::ResetReplayed {
        let second = bench.standing()?;
        site.checker().shows_number(site.scheduler.now_s(), second.nonce);
    }
    site.checker().reset_begins(site.scheduler.now_s(), first.nonce);
    let outcome = bench.reset(first.nonce);
    site.look();
    // What a daemon says that died meanwhile, nobody hears.
    let granted = outcome.is_ok() && !site.is_dead(daemon);
    site.checker().reset_ends(site.scheduler.now_s(), first.nonce, granted);
    let told = outcome.as_ref().map_or_else(ToString::to_string, |_| "granted".into());
    site.note(format!("a person quotes {}: {told}", first.cause));
    Some(outcome.is_ok())
}

/// After the run: resets until it is granted, arms again, and is told the cause of the next trip, not of the last.
pub fn resets_after(site: &Arc<Site>, bench: &Arc<Bench>, fault: &Fault, faults: &[Fault]) {
    let granted = (0..RESETS_MAX).any(|_| {
        let granted = reset(site, bench, fault).unwrap_or(false);
        if !granted {
            site.scheduler.wait(None, Some(AGAIN));
        }
        granted
    });
    if !granted || bench.arm().is_err() {
        return;
    }
    let granted_at = site.scheduler.now();
    site.look();
    site.note("armed again".into());
    site.checker().stops(site.scheduler.now_s());
    bench.stopper().stop(SECOND);
    let report = bench.make_safe(TripCause::Run { what: "stopped".into() });
    site.look();
    let own = |cause: &TripCause| *cause == TripCause::Stop { by: SECOND.into() };
    let told = bench.standing().map(|standing| standing.cause);
    let refused = bench.arm();
    let at_s = site.scheduler.now_s();
    let latched = matches!(refused, Ok(_) | Err(BenchError::Latched { .. }));
    // What tripped it between arming and stop is as much its own.
    let stops_later = |fault: &Fault| fault.kind == Kind::OperatorStop && fault.from >= granted_at;
    let stale = !faults.iter().any(stops_later)
        && told.as_ref().is_some_and(|cause| matches!(cause, TripCause::Stop { .. }) && !own(cause));
    if latched || stale || told.is_none() || !matches!(report.state, State::Tripped | State::Alarm) {
        let what = format!("stopped after a reset in {:?}, told {told:?}, armed: {refused:?}", report.state);
        site.checker().broken(5, at_s, "next trip", what);
    }
}
