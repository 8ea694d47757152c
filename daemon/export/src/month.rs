//! The month of a run: what files of columns are parted by.

/// A time that names no month.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{0:?} is no time as 2026-01-02T03:04:05Z: `wattproof rebuild` writes run.json anew from the journal"
)]
pub struct NoMonth(String);

/// The month of a time in UTC, as "2026-11".
///
/// # Errors
/// [`NoMonth`]: the text becomes part of a path, so that nothing but digits may stand in it.
pub fn month(started_utc: &str) -> Result<&str, NoMonth> {
    let shape =
        |(at, byte): (usize, u8)| if at == 4 || at == 7 { byte == b'-' } else { byte.is_ascii_digit() };
    let wrong = || NoMonth(started_utc.chars().take(40).collect());
    let (month, rest) = started_utc.split_at_checked(7).ok_or_else(wrong)?;
    let whole = rest.starts_with('-') && month.bytes().enumerate().all(shape);
    let (_, number) = month.split_at(5);
    if whole && ("01"..="12").contains(&number) { Ok(month) } else { Err(wrong()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_month_becomes_part_of_a_path() {
        // ISO 8601 (from memory).
        assert_eq!(month("2026-11-26T12:11:43.883Z"), Ok("2026-11"));
        for text in ["", "2026", "2026-1", "2026-13-01T00:00:00Z", "../../x-01", "2026/11/01", "²026-11-01"]
        {
            assert!(month(text).is_err(), "{text}");
        }
    }
}
