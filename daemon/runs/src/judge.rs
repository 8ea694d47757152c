//! Rated against measured: the uncertainty budget of one ceiling and its verdict.

use serde::{Deserialize, Serialize};
use wattproof_bench::{BenchFile, Measures};
use wattproof_method::{Budget, Ceiling, Contribution, Judged, Kind, Shape, Verdict};

use crate::Rating;

/// A judged rating.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct RatingResult {
    /// Which rating, from 1.
    pub rating: usize,
    /// The claim.
    pub claim: Rating,
    /// Measured power, W (lowest of the driven channels).
    pub measured_w: f64,
    /// Expanded uncertainty of it, W, k = 2.
    pub expanded_u_w: f64,
    /// Measured over rated.
    pub ratio: f64,
    /// The same in dB of power.
    pub ratio_db: Option<f64>,
    /// The verdict with guard band.
    pub verdict: Verdict,
    /// The ceiling it rests on.
    pub ceiling: Ceiling,
    /// What the uncertainty is made of.
    pub budget: Vec<Contribution>,
}

/// Judges a ceiling against a claim with the bench's calibration. `noise_w`: type A standard uncertainty of the
/// active power near the ceiling, W.
pub fn judge_rating(
    bench: &BenchFile,
    rating: usize,
    claim: &Rating,
    ceiling: Ceiling,
    noise_w: Option<f64>,
) -> RatingResult {
    let budget = Budget::new(ceiling.power_w, contributions(bench, claim, &ceiling, noise_w));
    let judged = Judged::new(claim.watts, ceiling.power_w, budget.expanded_w());
    RatingResult {
        rating,
        claim: claim.clone(),
        measured_w: judged.measured_w,
        expanded_u_w: judged.expanded_w,
        ratio: judged.ratio,
        ratio_db: judged.ratio_db,
        verdict: judged.verdict,
        ceiling,
        budget: budget.contributions,
    }
}

/// Every tolerance is known only by its half-width, hence rectangular (JCGM 100, 4.3.7).
fn contributions(
    bench: &BenchFile,
    claim: &Rating,
    ceiling: &Ceiling,
    noise_w: Option<f64>,
) -> Vec<Contribution> {
    // The widest channel counts: the weakest channel may be any of them.
    let widest = |measures| {
        let channels = bench.digitizer.channel.iter().filter(|channel| channel.measures == measures);
        channels.map(|channel| channel.tolerance_pct / 100.0).fold(0.0, f64::max)
    };
    let from_file = |name, relative, sensitivity| {
        Contribution::tolerance(name, relative, Shape::Rectangular, sensitivity, "bench file, rectangular")
    };
    let mut list = vec![
        from_file("voltage divider", widest(Measures::Volts), 1.0),
        from_file("current sensor", widest(Measures::Amps), 1.0),
        // Where the supply bounds the output, power follows the square of its voltage, and 1/R.
        from_file("supply setting", bench.supply.tolerance_pct / 100.0, 2.0),
        from_file("load resistance", bench.load.tolerance_pct / 100.0, 1.0),
    ];
    let power_w = ceiling.power_w;
    let absolute = |name, u_w, kind, source: &str| Contribution::absolute(name, u_w, power_w, kind, source);
    list.extend(absolute("interpolation", ceiling.u_interpolation_w, Kind::B, "ceiling search"));
    let capture = format!("noise of one capture at {} Hz", claim.hz);
    list.extend(noise_w.and_then(|u_w| absolute("noise", u_w, Kind::A, &capture)));
    list
}
