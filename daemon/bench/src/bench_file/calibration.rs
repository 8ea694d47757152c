//! What a bench file keeps of a calibration, and what of it still holds on a day.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::CalibratedChannel;

/// Days of a year, on average.
const YEAR_DAYS: f64 = 365.25;

/// The calibration of one digitizer channel, as `wattproof calibrate` writes it. `gain` and `offset_v` of the channel are
/// its result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Day on which it was made, `YYYY-MM-DD`.
    pub date: String,
    /// Last day on which it holds, `YYYY-MM-DD`.
    pub due: String,
    /// The reference meter: make, model, number, as a person typed it.
    pub meter: String,
    /// Points it rests on.
    pub points: usize,
    /// The largest reading, V or A: beyond it nothing was tried.
    pub highest: f64,
    /// Standard uncertainty of the gain, %.
    pub gain_u_pct: f64,
    /// Standard uncertainty of the offset, V at the ADC.
    pub offset_u_v: f64,
    /// Largest departure from the straight line, V at the ADC (half-width, rectangular distribution).
    pub linearity_v: f64,
    /// Effective degrees of freedom of `gain_u_pct`; absent for very many.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees: Option<f64>,
}

/// How a calibration stands on a day.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CalibrationState {
    /// Made, and not past its due day.
    Valid,
    /// Past its due day.
    Expired,
    /// None was made.
    #[default]
    Missing,
}

impl std::fmt::Display for CalibrationState {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            CalibrationState::Valid => "valid",
            CalibrationState::Expired => "expired",
            CalibrationState::Missing => "missing",
        })
    }
}

fn day(text: &str) -> Option<NaiveDate> {
    NaiveDate::parse_from_str(text, "%Y-%m-%d").ok()
}

impl Calibration {
    /// Field and what is wrong with it.
    pub(crate) fn check(&self) -> Result<(), (&'static str, String)> {
        let is_day = |name, text: &str| {
            day(text).ok_or_else(|| (name, format!("{name} = \"{text}\" must be a day as \"2026-05-02\"")))
        };
        if is_day("due", &self.due)? < is_day("date", &self.date)? {
            return Err(("due", format!("due = \"{}\" is before date = \"{}\"", self.due, self.date)));
        }
        for (name, value) in [
            ("highest", self.highest),
            ("gain_u_pct", self.gain_u_pct),
            ("offset_u_v", self.offset_u_v),
            ("linearity_v", self.linearity_v),
        ] {
            if !(value.is_finite() && value >= 0.0) {
                return Err((name, format!("{name} = {value} must be a finite number, 0 or more")));
            }
        }
        match self.degrees {
            Some(degrees) if !(degrees > 0.0) => {
                Err(("degrees", format!("degrees = {degrees} must be greater than 0")))
            }
            _ => Ok(()),
        }
    }

    /// Days past the due day on `today`, `YYYY-MM-DD`; 0 while it holds, infinite where a day can't be read.
    #[must_use]
    pub fn overdue_days(&self, today: &str) -> f64 {
        let past = day(today).zip(day(&self.due)).map(|(today, due)| (today - due).num_days());
        past.map_or(f64::INFINITY, |days| days.max(0) as f64)
    }
}

impl CalibratedChannel {
    /// How its calibration stands on `today`, `YYYY-MM-DD`.
    #[must_use]
    pub fn calibration_state(&self, today: &str) -> CalibrationState {
        match &self.calibration {
            None => CalibrationState::Missing,
            Some(made) if made.overdue_days(today) > 0.0 => CalibrationState::Expired,
            Some(_) => CalibrationState::Valid,
        }
    }

    /// By how many times the stated tolerance gain and offset may have drifted since the calibration was due: once for
    /// every year past, so that it grows from nothing on the due day (common practice, no source: a tolerance is what makers
    /// grant for a year). `None` without a calibration: then the tolerance itself stands.
    #[must_use]
    pub fn drifted(&self, today: &str) -> Option<f64> {
        Some(self.calibration.as_ref()?.overdue_days(today) / YEAR_DAYS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(date: &str, due: &str) -> Calibration {
        Calibration {
            date: date.into(),
            due: due.into(),
            meter: "invented meter 1".into(),
            points: 5,
            highest: 30.0,
            gain_u_pct: 0.02,
            offset_u_v: 1e-4,
            linearity_v: 1e-4,
            degrees: None,
        }
    }

    /// Gregorian calendar: 2028 is a leap year.
    #[test]
    fn days_past_due_are_counted_by_the_calendar() {
        let made = made("2027-02-28", "2028-02-28");
        assert_eq!(made.overdue_days("2027-05-01"), 0.0);
        assert_eq!(made.overdue_days("2028-02-28"), 0.0);
        assert_eq!(made.overdue_days("2028-03-01"), 2.0);
        assert_eq!(made.overdue_days("2029-02-28"), 366.0);
        assert_eq!(made.overdue_days("yesterday"), f64::INFINITY);
    }

    #[test]
    fn what_makes_no_sense_is_named() {
        assert!(made("2026-01-01", "2027-01-01").check().is_ok());
        assert_eq!(made("2026-01-01", "2025-12-31").check().unwrap_err().0, "due");
        assert_eq!(made("2026-02-30", "2027-01-01").check().unwrap_err().0, "date");
        let wrong = Calibration { gain_u_pct: f64::NAN, ..made("2026-01-01", "2027-01-01") };
        assert_eq!(wrong.check().unwrap_err().0, "gain_u_pct");
    }
}
