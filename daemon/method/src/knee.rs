//! The straight line through a knee: between a capture that keeps a distortion limit and one that breaks it.

/// Logarithm of distortion over limit, bent so that a clipping onset becomes a straight line of drive: distortion of
/// a hard clip grows with the 3/2 power of the overdrive (from the closed form's expansion, checked against the table
/// of hard clipping). Zero, and slope 1, at the limit, so that scatter there means the same as before.
pub(crate) fn straightened(excess: f64) -> f64 {
    const POWER: f64 = 2.0 / 3.0;
    ((POWER * excess).exp() - 1.0) / POWER
}

/// Share of the way from a value below zero to one above it at which a straight line crosses zero.
pub(crate) fn share_at_zero(below: f64, above: f64) -> f64 {
    let (below, above) = (below.min(-1e-3), above.max(1e-3));
    -below / (above - below)
}
