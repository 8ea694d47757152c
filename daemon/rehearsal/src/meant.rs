//! What may have been meant by a value that a limit does not allow: a nameplate's figure in a place where another is wanted.

use wattproof_bench::BenchError;
use wattproof_guard::{Refusal, TripCause};
use wattproof_runs::{Nameplate, Rating, RunError};

/// Two values are the same figure when they differ by no more than this ratio: it may have been rounded.
const SAME: f64 = 2e-3;

/// A hint beside the error that ended a rehearsal, if there is one.
pub fn meant(error: &RunError, plate: &Nameplate) -> Option<String> {
    let RunError::Bench(BenchError::Refused(Refusal::Tripped(TripCause::Asked { limit, value, .. }))) = error
    else {
        return None;
    };
    let mut found = (1..).zip(&plate.rating).flat_map(|(number, rating)| {
        figures(rating).into_iter().map(move |(figure, unit, what)| (number, rating, figure, unit, what))
    });
    let (number, rating, _, unit, what) = found.find(|(_, _, figure, unit, _)| {
        figure.is_some_and(|figure| (value / figure - 1.0).abs() < SAME) && !belongs(limit, unit)
    })?;
    let place = match limit.as_str() {
        "source_vrms_max" => {
            "the source is set in V rms at the amplifier's input: find_ceiling() finds the level of a rating"
                .into()
        }
        "supply_v_max" => format!("the supply is set in V: the rating's supply_v is {}", rating.supply_v),
        "load_ohm_min" => format!("the load is set in ohm: the rating's load_ohm is {}", rating.load_ohm),
        _ => return None,
    };
    let figure = (value * 1e4).round() / 1e4;
    Some(format!("of rating {number}, {figure} {unit} is {what}; {place}"))
}

/// The figures of a rating, each with its unit and what it is.
fn figures(rating: &Rating) -> [(Option<f64>, &'static str, &'static str); 5] {
    let out_vrms = Some((rating.load_w() * rating.load_ohm).sqrt()).filter(|vrms| vrms.is_finite());
    [
        (rating.watts, "W", "the rated power"),
        (out_vrms, "V rms", "what the amplifier gives at its output"),
        (
            out_vrms.map(|vrms| vrms * 2f64.sqrt()),
            "V peak",
            "the peak of what the amplifier gives at its output",
        ),
        (Some(rating.supply_v), "V", "the rated supply voltage"),
        (Some(rating.load_ohm), "ohm", "the rated load"),
    ]
}

/// Whether a figure in a unit is what a limit is about.
fn belongs(limit: &str, unit: &str) -> bool {
    matches!((limit, unit), ("supply_v_max", "V") | ("load_ohm_min", "ohm"))
}
