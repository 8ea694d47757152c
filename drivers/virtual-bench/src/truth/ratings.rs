//! What the model itself says of every rating of an amplifier.

use serde::Serialize;

use super::{TruthError, TruthQuery, truth};
use crate::amplifier::AmplifierSpec;

/// What the model says of one rating.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RatingTruth {
    /// Which rating, from 1.
    pub rating: usize,
    /// What is claimed, W; absent of a line stage.
    pub rated_w: Option<f64>,
    /// Of a line stage what is claimed, V rms.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rated_vrms: Option<f64>,
    /// Load of the claim, ohm.
    pub load_ohm: f64,
    /// Supply voltage of the claim, V.
    pub supply_v: f64,
    /// Power at the ceiling, W; absent of a line stage.
    pub power_w: Option<f64>,
    /// Output there, V rms.
    pub out_vrms: f64,
    /// Source level there, V rms.
    pub source_vrms: f64,
    /// THD+N there, %.
    pub thdn_pct: f64,
    /// Power at the first instant of a burst, W; absent of a line stage.
    pub burst_power_w: Option<f64>,
    /// What stops it, in a word.
    pub cause: String,
}

/// One for each rating, in their order.
///
/// # Errors
/// [`TruthError`] for a rating whose conditions the model can't meet.
pub fn rating_truths(amplifier: &AmplifierSpec) -> Result<Vec<RatingTruth>, TruthError> {
    let one = |(index, rating): (usize, &crate::Rating)| {
        let found = truth(amplifier, &TruthQuery::of(amplifier, rating))?;
        Ok(RatingTruth {
            rating: index + 1,
            rated_w: rating.watts,
            rated_vrms: rating.out_vrms,
            load_ohm: rating.load_ohm,
            supply_v: rating.supply_v,
            power_w: rating.watts.map(|_| found.full_power_w),
            out_vrms: found.out_vrms,
            source_vrms: found.source_vrms,
            thdn_pct: found.thdn_pct,
            burst_power_w: rating.watts.map(|_| found.burst_power_w),
            cause: found.cause.to_string(),
        })
    };
    amplifier.nameplate.ratings.iter().enumerate().map(one).collect()
}
