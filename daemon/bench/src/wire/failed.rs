//! What an instrument's failure means to the guard.

use wattproof_guard::{Doubt, Output, TripCause};
use wattproof_instruments::InstrumentError;
use wattproof_link::LinkError;

use crate::shared::Shared;
use crate::wire::actor::ActorGone;

/// An instrument failed: trips, unless it was interrupted by a stop or by an OFF, which is no failure of its own.
pub(crate) fn failed(shared: &Shared, error: &InstrumentError) {
    // The guard's own word, and nothing was sent.
    if matches!(error.link(), Some(LinkError::Refused)) {
        return;
    }
    let cause = match (error.link(), shared.stop.stopped_by()) {
        (Some(LinkError::Cancelled), Some(by)) => Some(TripCause::Stop { by }),
        (Some(LinkError::Cancelled), None) if shared.guard().trip().is_some() => None,
        _ => Some(TripCause::Instrument { what: error.to_string() }),
    };
    if let Some(cause) = cause {
        let now_s = shared.clock.now_s();
        let mut guard = shared.guard();
        guard.fault(now_s, cause);
        // What was read back before is worth nothing after a failure: it is read back again.
        for output in Output::SAFE_ORDER {
            if output.to_string() == error.instrument {
                guard.doubt(now_s, output, Doubt::Reconnected);
            }
        }
    }
    shared.stop.wake();
}

/// An instrument's thread has ended.
pub(crate) fn gone(shared: &Shared, gone: &ActorGone) {
    shared.guard().fault(shared.clock.now_s(), TripCause::Instrument { what: gone.to_string() });
    shared.stop.wake();
}
