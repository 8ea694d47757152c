//! Moments as a person types them: RFC 3339, or a time of day.

use chrono::{DateTime, Days, NaiveDateTime, NaiveTime, TimeZone, Utc};

/// A moment from now on: `2026-01-02T22:30:00+01:00` (RFC 3339), or `22:30`, which is the next time that this machine's
/// clock shows it.
pub fn moment(text: &str) -> Result<DateTime<Utc>, String> {
    moment_after(text, &chrono::Local::now())
}

fn moment_after<Z: TimeZone>(text: &str, now: &DateTime<Z>) -> Result<DateTime<Utc>, String> {
    if let Ok(moment) = DateTime::parse_from_rfc3339(text) {
        if moment < *now {
            return Err(format!("{text} is over already"));
        }
        return Ok(moment.to_utc());
    }
    let time = NaiveTime::parse_from_str(text, "%H:%M").map_err(|_| {
        "neither a time of day such as 22:30 nor a moment such as 2026-01-02T22:30:00Z".to_string()
    })?;
    let days = (0..=2).filter_map(|days| now.date_naive().checked_add_days(Days::new(days)));
    // A time that a change of the clock leaves out is that of the day after; of one that comes twice, the first counts.
    let moments =
        days.filter_map(|day| now.timezone().from_local_datetime(&NaiveDateTime::new(day, time)).earliest());
    let next = moments.into_iter().find(|moment| moment > now);
    next.map(|moment| moment.to_utc()).ok_or_else(|| format!("{text} does not come within two days"))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use chrono::FixedOffset;

    use super::moment_after;

    /// RFC 3339, 5.8: its own examples of moments; times of day are the project's own rule.
    #[test]
    fn a_time_of_day_is_the_next_one_and_a_moment_is_itself() {
        let zone = FixedOffset::east_opt(3600).unwrap();
        let now =
            chrono::DateTime::parse_from_rfc3339("1985-04-12T22:20:50+01:00").unwrap().with_timezone(&zone);
        let of = |text| moment_after(text, &now).map(|moment| moment.to_rfc3339());
        assert_eq!(of("22:30"), Ok("1985-04-12T21:30:00+00:00".into()));
        assert_eq!(of("22:20"), Ok("1985-04-13T21:20:00+00:00".into()));
        assert_eq!(of("06:00"), Ok("1985-04-13T05:00:00+00:00".into()));
        assert_eq!(of("1985-04-12T23:20:50.52Z"), Ok("1985-04-12T23:20:50.520+00:00".into()));
        assert_eq!(of("1996-12-19T16:39:57-08:00"), Ok("1996-12-20T00:39:57+00:00".into()));
        for text in ["25:00", "10pm", "", "tomorrow", "22:30:00Z"] {
            assert!(of(text).is_err(), "{text}");
        }
        assert!(of("1985-04-12T21:00:00Z").unwrap_err().contains("over"));
    }
}
