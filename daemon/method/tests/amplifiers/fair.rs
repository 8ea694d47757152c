//! Which causes a fair judge would give.

use super::Family;
use super::play::{RATED_W, Trial};
use wattproof_method::Cause;

/// The causes a fair judge would give: by mechanism, else by how steeply distortion rises; near the dividing slope
/// either word is fair.
pub fn expected(t: &Trial) -> Vec<Cause> {
    let slope = t.amplifier.slope(t.truth_vrms, RATED_W);
    let waveform = match slope {
        s if (s - 1.3).abs() < 0.3 => vec![Cause::Clipping, Cause::SoftClipping, Cause::Undetermined],
        s if s > 1.3 => vec![Cause::Clipping],
        _ => vec![Cause::SoftClipping],
    };
    match t.amplifier.family {
        family if family.limits() => vec![Cause::Limiting],
        Family::Sag => vec![Cause::Sag],
        Family::Thermal => vec![Cause::Thermal],
        // A trip that comes before the limit is what bounds the output, wherever the waveform is by then.
        _ if t.truth_vrms >= t.amplifier.trip_vrms() => vec![Cause::Protection],
        Family::DriveExhausted => vec![Cause::DriveExhausted],
        // Each of its mechanisms is a fair answer.
        Family::Mixed => [waveform, vec![Cause::Sag, Cause::Thermal]].concat(),
        _ => waveform,
    }
}
