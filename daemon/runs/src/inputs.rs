//! What a bench file's inputs are good for on a day: tolerances where they were never calibrated, else what the calibration
//! left open and what may have drifted since it was due.

use wattproof_bench::{CalibratedChannel, CalibrationState};
use wattproof_method::{Calibrated, Within};

use crate::judge::stated_or;

/// How an input's calibration stands on a day.
pub(crate) fn state(input: Option<&CalibratedChannel>, day: &str) -> CalibrationState {
    input.map_or(CalibrationState::Missing, |input| input.calibration_state(day))
}

/// The gain's tolerance, or what it may have drifted since its calibration was due. A missing input can't have been
/// measured with: infinite, so that nothing is decided.
pub(crate) fn gain(input: Option<&CalibratedChannel>, day: &str) -> Within {
    let Some(input) = input else {
        return Within { half_width: f64::INFINITY, source: "no such input in the bench file".into() };
    };
    let (half_width, source) = tolerated(input, day, input.tolerance_pct / 100.0);
    let source = match (&input.calibration, &input.calibrated) {
        (None, Some(day)) => format!("bench file, calibrated {day}"),
        _ => source.unwrap_or_else(|| "bench file".into()),
    };
    Within { half_width, source }
}

/// A tolerance as it stands, or the part of it that may have drifted, with its source.
fn tolerated(input: &CalibratedChannel, day: &str, tolerance: f64) -> (f64, Option<String>) {
    match (input.drifted(day), &input.calibration) {
        (Some(share), Some(made)) => {
            let source = if share > 0.0 {
                format!("drift since {}: the tolerance once a year (common practice)", made.due)
            } else {
                format!("calibrated {}, due {}", made.date, made.due)
            };
            // Nothing drifted is nothing, even of an infinite tolerance.
            (if share > 0.0 { share * tolerance } else { 0.0 }, Some(source))
        }
        _ => (tolerance, None),
    }
}

/// What the calibration of an input leaves open of its gain at a reading, V or A.
pub(crate) fn gain_calibration(input: Option<&CalibratedChannel>, reading: f64) -> Calibrated {
    let Some((input, made)) = input.and_then(|input| Some((input, input.calibration.as_ref()?))) else {
        return Calibrated::default();
    };
    Calibrated {
        standard: made.gain_u_pct / 100.0,
        degrees: made.degrees,
        linearity: Within {
            half_width: (made.linearity_v * input.gain / reading).abs(),
            source: format!("largest departure of {} points", made.points),
        },
        source: format!("calibrated {} against {}", made.date, made.meter),
    }
}

/// The offset at the output: its tolerance, or what its calibration and the time since leave open, as a rectangle of the
/// same variance.
pub(crate) fn offset(input: Option<&CalibratedChannel>, day: &str) -> Within {
    let Some(input) = input else { return Within::default() };
    let (half_width, source) = tolerated(input, day, input.offset_tolerance());
    let calibrated =
        input.calibration.as_ref().map_or(0.0, |made| 3f64.sqrt() * made.offset_u_v * input.gain.abs());
    let stated = || stated_or(input.offset_tolerance_v, "0.1 % of the range");
    Within { half_width: half_width.hypot(calibrated), source: source.unwrap_or_else(stated) }
}

#[cfg(test)]
mod tests {
    use wattproof_bench::{Calibration, Measures};

    use super::*;

    fn channel(calibration: Option<Calibration>) -> CalibratedChannel {
        CalibratedChannel {
            adc: 1,
            amplifier_channel: 1,
            measures: Measures::Volts,
            gain: 20.0,
            offset_v: 0.0,
            range_v: 5.0,
            tolerance_pct: 1.0,
            offset_tolerance_v: Some(0.01),
            calibrated: None,
            calibration,
        }
    }

    fn made() -> Calibration {
        Calibration {
            date: "2026-01-01".into(),
            due: "2027-01-01".into(),
            meter: "invented meter 1".into(),
            points: 5,
            highest: 30.0,
            gain_u_pct: 0.02,
            offset_u_v: 1e-4,
            linearity_v: 2e-4,
            degrees: Some(7.0),
        }
    }

    /// Project definition: missing, the tolerance stands; valid, only what the calibration left open; past due, one
    /// tolerance a year.
    #[test]
    fn u_follows_how_the_calibration_stands() {
        let (bare, calibrated) = (channel(None), channel(Some(made())));
        let at = |input: &CalibratedChannel, day: &str| gain(Some(input), day).half_width;
        assert_eq!(at(&bare, "2026-06-01"), 0.01);
        assert_eq!(gain_calibration(Some(&bare), 20.0), Calibrated::default());
        assert_eq!(at(&calibrated, "2027-01-01"), 0.0);
        assert!((at(&calibrated, "2028-01-01") - 0.01 * 365.0 / 365.25).abs() < 1e-12);
        assert!((at(&calibrated, "2029-01-01") - 0.01 * 731.0 / 365.25).abs() < 1e-12);
        assert_eq!(at(&calibrated, "no day"), f64::INFINITY);
        let left = gain_calibration(Some(&calibrated), 20.0);
        // 0.2 mV at the converter are 4 mV at the output: 0.02 % of 20 V.
        assert!((left.linearity.half_width - 2e-4).abs() < 1e-15 && left.standard == 2e-4);
        assert!((offset(Some(&bare), "2026-06-01").half_width - 0.2).abs() < 1e-12);
        assert!((offset(Some(&calibrated), "2026-06-01").half_width - 3f64.sqrt() * 2e-3).abs() < 1e-12);
        assert_eq!(state(Some(&calibrated), "2027-01-02"), CalibrationState::Expired);
        assert_eq!(state(None, "2026-06-01"), CalibrationState::Missing);
    }
}
