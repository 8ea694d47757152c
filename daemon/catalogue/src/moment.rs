//! Dates as a question has them.

/// Whether a text can be the beginning of a time of RFC 3339: anything else would find nothing, or everything, unseen.
#[must_use]
pub fn begins_as_a_time(text: &str) -> bool {
    const SHAPE: &[u8] = b"0000-00-00T00:00:00.000000000Z";
    let fits = |(at, byte): (usize, u8)| match SHAPE.get(at) {
        Some(b'0') => byte.is_ascii_digit() || (byte == b'Z' && at > 19),
        Some(shape) => byte == *shape || (byte == b'Z' && at == 19),
        None => false,
    };
    text.len() >= 4 && text.bytes().enumerate().all(fits)
}

#[cfg(test)]
mod tests {
    use super::begins_as_a_time;

    /// RFC 3339, 5.6, and the beginnings of it that the command line's help names.
    #[test]
    fn only_the_beginning_of_a_time_is_a_date() {
        for right in [
            "2031",
            "2031-05",
            "2031-05-24",
            "2031-05-24T09:30",
            "2031-05-24T09:30:00Z",
            "2031-05-24T09:30:00.125Z",
        ] {
            assert!(begins_as_a_time(right), "{right}");
        }
        for wrong in [
            "",
            "203",
            "yesterday",
            "24.05.2031",
            "2031/05",
            "2031-05-24 09:30",
            "2031-05-24T09:30:00+01:00",
            "20310524",
        ] {
            assert!(!begins_as_a_time(wrong), "{wrong}");
        }
    }
}
