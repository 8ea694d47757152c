//! Channel lists: `(@1,3:5)` (SCPI-1999 volume 1, 8.3.2), one dimension.

use std::ops::RangeInclusive;

use crate::ascii::trim;
use crate::error::{Fault, ParseError};

/// Reads the channel list `text`, parentheses included, into ranges in the order written. A range written
/// downwards keeps its bounds as (larger, smaller): see [`channels`].
///
/// # Errors
/// −171 when the text is not a channel list.
pub fn parse(text: &str) -> Result<Vec<(u32, u32)>, ParseError> {
    let fault = |offset, expected| ParseError::new(Fault::Expression, offset, expected);
    let inner = text
        .strip_prefix('(')
        .map(|rest| rest.trim_start_matches(|c: char| c.is_ascii() && crate::ascii::is_white(c as u8)))
        .and_then(|rest| rest.strip_prefix('@'))
        .ok_or_else(|| fault(0, "(@ before a channel list"))?;
    let inner = inner.strip_suffix(')').ok_or_else(|| fault(text.len(), ") after a channel list"))?;
    if trim(inner.as_bytes()).is_empty() {
        return Ok(Vec::new());
    }
    let number = |word: &str| {
        let word = trim(word.as_bytes());
        let word = std::str::from_utf8(word).ok().filter(|w| w.bytes().all(|b| b.is_ascii_digit()));
        word.and_then(|w| w.parse::<u32>().ok()).ok_or_else(|| fault(2, "channel numbers"))
    };
    inner
        .split(',')
        .map(|item| match item.split_once(':') {
            Some((from, to)) => Ok((number(from)?, number(to)?)),
            None => number(item).map(|n| (n, n)),
        })
        .collect()
}

/// Every channel of the list, in the order written; `None` unless all lie within `allowed`, so that a list of a
/// few bytes cannot ask for billions.
#[must_use]
pub fn channels(ranges: &[(u32, u32)], allowed: RangeInclusive<u32>) -> Option<Vec<u32>> {
    let mut all = Vec::new();
    for (from, to) in ranges {
        if !allowed.contains(from) || !allowed.contains(to) {
            return None;
        }
        if from <= to { all.extend(*from..=*to) } else { all.extend((*to..=*from).rev()) }
    }
    Some(all)
}

/// Writes channels as a list, runs of neighbours as ranges.
#[must_use]
pub fn format(channels: &[u32]) -> String {
    let mut ranges: Vec<(u32, u32)> = Vec::new();
    for channel in channels {
        match ranges.last_mut() {
            Some((_, last)) if last.checked_add(1) == Some(*channel) => *last = *channel,
            _ => ranges.push((*channel, *channel)),
        }
    }
    let items: Vec<String> =
        ranges.iter().map(|(a, b)| if a == b { a.to_string() } else { format!("{a}:{b}") }).collect();
    format!("(@{})", items.join(","))
}
