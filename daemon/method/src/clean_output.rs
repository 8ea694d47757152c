//! Clean output at any distortion limit, read off a recorded power curve: the last upward crossing, never beyond the curve.

use crate::close_in::FLOOR;
use crate::knee::{share_at_zero, straightened};

/// A capture on a power curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Source level, V rms.
    pub level_vrms: f64,
    /// Output, dB re 1 W or re 1 V rms.
    pub output_db: f64,
    /// The distortion figure that is limited, %.
    pub distortion_pct: f64,
}

/// The highest output that keeps a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CleanOutput {
    /// Output, in dB as the curve's.
    pub output_db: f64,
    /// Standard uncertainty of that by interpolation alone, dB.
    pub u_db: f64,
    /// The last capture that keeps the limit.
    pub below: CurvePoint,
    /// The capture after it, which breaks it.
    pub above: CurvePoint,
}

/// Why a curve does not tell the clean output at a limit.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoCleanOutput {
    /// It has no point that can be used.
    #[error("no curve was recorded")]
    NoCurve,
    /// Its cleanest point breaks the limit.
    #[error("it never gets that clean: {least_pct:.3} % at best")]
    NeverClean {
        /// The least distortion, %.
        least_pct: f64,
    },
    /// Its loudest point keeps the limit.
    #[error("the curve ends at {last_pct:.3} %, before that limit")]
    NotReached {
        /// Distortion of the loudest point, %.
        last_pct: f64,
    },
}

/// The clean output at `limit_pct` on a power curve, whose points may come in any order: where distortion passes the limit
/// for the last time as the source level rises. Between the two captures around it the line is straight: of the distortion's
/// logarithm against dB of output, and bent as a clipping onset is where both lie on the knee. The true crossing lies
/// anywhere between the two, so their whole distance is in `u_db` (rectangular, JCGM 100:2008, 4.3.7, and the distance of the
/// estimate from the middle).
///
/// # Errors
/// [`NoCleanOutput`]: nothing is ever told from beyond the curve.
pub fn clean_output(points: &[CurvePoint], limit_pct: f64) -> Result<CleanOutput, NoCleanOutput> {
    let usable = |point: &&CurvePoint| {
        point.output_db.is_finite() && point.level_vrms > 0.0 && point.distortion_pct > 0.0
    };
    let mut curve: Vec<CurvePoint> = points.iter().filter(usable).copied().collect();
    curve.sort_by(|a, b| a.level_vrms.total_cmp(&b.level_vrms));
    let last = curve.last().ok_or(NoCleanOutput::NoCurve)?;
    if last.distortion_pct <= limit_pct {
        return Err(NoCleanOutput::NotReached { last_pct: last.distortion_pct });
    }
    let crossing = curve.windows(2).rev().find_map(|pair| match pair {
        [below, above] if below.distortion_pct <= limit_pct && above.distortion_pct > limit_pct => {
            Some((*below, *above))
        }
        _ => None,
    });
    let Some((below, above)) = crossing else {
        let least_pct = curve.iter().map(|point| point.distortion_pct).fold(f64::INFINITY, f64::min);
        return Err(NoCleanOutput::NeverClean { least_pct });
    };
    let excess = |point: CurvePoint| (point.distortion_pct / limit_pct).ln();
    // A noise floor is no part of the rise to the limit: only its logarithm says something of the way to it.
    let value = |point| if excess(below) > FLOOR { straightened(excess(point)) } else { excess(point) };
    let share = share_at_zero(value(below), value(above));
    let width_db = above.output_db - below.output_db;
    let u_db = width_db.abs() * (1.0 / 12.0 + (share - 0.5).powi(2)).sqrt();
    Ok(CleanOutput { output_db: below.output_db + share * width_db, u_db, below, above })
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;

    /// Symmetric hard clipping of a sine at `r` = rail over peak, in closed form (integration of the clipped sine, own
    /// derivation): THD in % of the fundamental, and total power over that at the onset.
    fn clipped(r: f64) -> (f64, f64) {
        let alpha = r.asin();
        let b1 = 2.0 / PI * (alpha + r * (1.0 - r * r).sqrt());
        let mean_square = 2.0 / PI * (alpha / 2.0 - (2.0 * alpha).sin() / 4.0 + r * r * (PI / 2.0 - alpha));
        (100.0 * (2.0 * mean_square / (b1 * b1) - 1.0).max(0.0).sqrt(), 2.0 * mean_square / (r * r))
    }

    /// What a stage with this knee and a floor of noise would leave, at drives of the rail over `r`.
    fn curve(ratios: &[f64], floor_pct: f64) -> Vec<CurvePoint> {
        let point = |r: &f64| {
            let (thd_pct, over_onset) = if *r < 1.0 { clipped(*r) } else { (0.0, 1.0 / (r * r)) };
            let distortion_pct = thd_pct.hypot(floor_pct);
            CurvePoint { level_vrms: 1.0 / r, output_db: 10.0 * over_onset.log10(), distortion_pct }
        };
        ratios.iter().map(point).collect()
    }

    /// Rail over peak of 0.971 486 9 gives 1 % THD and of 0.778 651 2 gives 10 % (the closed form, checked against an FFT);
    /// the power there over that at the onset is the closed form's.
    #[test]
    fn a_hard_clip_is_read_off_as_its_closed_form_says() {
        assert!((clipped(0.971_486_9).0 - 1.0).abs() < 1e-4 && (clipped(0.778_651_2).0 - 10.0).abs() < 1e-3);
        // Steps of about 0.25 dB of drive, none of them at a limit.
        let ratios: Vec<f64> = (0..16).map(|n| 1.015 * 10f64.powf(-0.0125 * f64::from(n))).collect();
        let seen = curve(&ratios, 0.004);
        for (limit_pct, r) in [(1.0, 0.971_486_9), (10.0, 0.778_651_2)] {
            let found = clean_output(&seen, limit_pct).unwrap();
            let truth_db = 10.0 * clipped(r).1.log10();
            assert!((found.output_db - truth_db).abs() < 0.01, "{limit_pct} %: {found:?}, {truth_db} dB");
            assert!((found.output_db - truth_db).abs() < 2.0 * found.u_db, "{found:?}");
        }
    }

    /// However far apart the captures are, the truth lies within twice the uncertainty (project definition).
    #[test]
    fn far_captures_have_an_uncertainty_that_holds_the_truth() {
        let truth_db = 10.0 * clipped(0.971_486_9).1.log10();
        for low in [1.6, 1.3, 1.1, 1.01] {
            for high in [0.96, 0.9, 0.8, 0.7] {
                for floor_pct in [0.002, 0.03, 0.3] {
                    let seen = curve(&[high, low], floor_pct);
                    let found = clean_output(&seen, 1.0).unwrap();
                    assert!(
                        (found.output_db - truth_db).abs() <= 2.0 * found.u_db,
                        "{low} {high}: {found:?}"
                    );
                    let (from, to) = (found.below.output_db, found.above.output_db);
                    assert!(found.output_db >= from && found.output_db <= to, "{found:?}");
                }
            }
        }
    }

    #[test]
    fn nothing_is_told_from_beyond_the_curve() {
        // Project definition.
        let point = |level_vrms: f64, watts: f64, distortion_pct| CurvePoint {
            level_vrms,
            output_db: 10.0 * watts.log10(),
            distortion_pct,
        };
        let told = |points: &[CurvePoint], limit_pct| clean_output(points, limit_pct);
        assert_eq!(told(&[], 1.0), Err(NoCleanOutput::NoCurve));
        let seen = [point(0.1, 1.0, 0.2), point(0.5, 25.0, 0.1), point(0.9, 80.0, 3.0)];
        assert_eq!(told(&seen, 0.05), Err(NoCleanOutput::NeverClean { least_pct: 0.1 }));
        assert_eq!(told(&seen, 10.0), Err(NoCleanOutput::NotReached { last_pct: 3.0 }));
        // Noise at a low level breaks 0.15 % as well: only the last crossing counts.
        let found = told(&seen, 0.15).unwrap();
        assert_eq!((found.below.level_vrms, found.above.level_vrms), (0.5, 0.9));
        // Where harder drive lowers the output, power is no order: the source level is.
        let folding = [point(0.5, 50.0, 0.01), point(0.7, 100.0, 0.05), point(0.8, 95.0, 5.0)];
        let watts = 10f64.powf(told(&folding, 0.1).unwrap().output_db / 10.0);
        assert!((95.0..=100.0).contains(&watts), "{watts}");
    }
}
