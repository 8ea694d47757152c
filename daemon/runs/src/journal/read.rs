//! A journal read back: every whole line, and what is wrong with the rest.

use std::io::{BufRead, BufReader, Read};
use std::path::Path;

use serde::Deserialize;
use serde_json::value::RawValue;

use super::{JournalError, LINE_BYTES_MAX, link};
use crate::disk::Disk;

/// One line as read back.
#[derive(Debug, Clone, Deserialize)]
pub struct Line {
    /// Number, from 0 without gaps.
    pub seq: u64,
    /// How many lines were on the disk for certain when this one was written.
    pub synced: u64,
    /// Time on the bench, s.
    pub at_s: f64,
    /// What kind of record.
    pub kind: String,
    /// The record.
    pub data: serde_json::Value,
}

/// What a journal on the disk holds.
#[derive(Debug)]
pub struct ReadJournal {
    /// Every whole line, in order.
    pub lines: Vec<Line>,
    /// Hash after the last whole line.
    pub chain: String,
    /// Length of the whole lines in the file, bytes.
    pub whole_bytes: u64,
    /// Bytes after the last whole line (writes cut short before they were synced), if any.
    pub torn: Vec<u8>,
    /// The first line (from 1) that was synced once and is wrong now, if any; `lines` ends before it.
    pub broken_line: Option<usize>,
}

/// Longest piece after the last whole line that can have come from writes cut short, bytes.
const TORN_BYTES_MAX: usize = 64 << 20;

/// Reads a journal back, stopping at the first line that is torn or was altered. Memory is taken by whole lines, which
/// only a journal has; whatever else a file holds ends the reading soon.
///
/// # Errors
/// [`JournalError::Io`] when the file can't be read.
pub fn read_journal(disk: &dyn Disk, path: &Path) -> Result<ReadJournal, JournalError> {
    let io = |source| JournalError::Io { path: path.into(), source };
    read_from(disk.reader(path).map_err(io)?).map_err(io)
}

/// Hands every whole line of a journal to `each`, in order, and keeps none: for a journal of many steps. `lines` of what
/// comes back is empty; all else is as [`read_journal`] tells it, and so is the count.
///
/// # Errors
/// As [`read_journal`].
pub fn walk_journal(
    disk: &dyn Disk,
    path: &Path,
    each: impl FnMut(Line),
) -> Result<(u64, ReadJournal), JournalError> {
    let io = |source| JournalError::Io { path: path.into(), source };
    walk_from(disk.reader(path).map_err(io)?, each).map_err(io)
}

fn read_from(source: impl Read) -> std::io::Result<ReadJournal> {
    let mut lines = Vec::new();
    let (_, read) = walk_from(source, |line| lines.push(line))?;
    Ok(ReadJournal { lines, ..read })
}

/// The count of whole lines, and everything about the journal but those.
fn walk_from(source: impl Read, mut each: impl FnMut(Line)) -> std::io::Result<(u64, ReadJournal)> {
    let mut rest = BufReader::new(source);
    let mut read = ReadJournal {
        lines: Vec::new(),
        chain: String::new(),
        whole_bytes: 0,
        torn: Vec::new(),
        broken_line: None,
    };
    let mut seq = 0;
    loop {
        let raw = next_line(&mut rest)?;
        if raw.is_empty() {
            return Ok((seq, read));
        }
        let Some((line, chain)) = raw.strip_suffix(b"\n").and_then(|whole| verify(whole, &read.chain, seq))
        else {
            match torn(raw, &mut rest, seq)? {
                Some(torn) => read.torn = torn,
                None => read.broken_line = usize::try_from(seq + 1).ok(),
            }
            return Ok((seq, read));
        };
        each(line);
        seq += 1;
        read.chain = chain;
        read.whole_bytes += raw.len() as u64;
    }
}

/// The next line with its end, or the beginning of one that is longer than any is; empty after the last.
fn next_line(rest: &mut impl BufRead) -> std::io::Result<Vec<u8>> {
    let mut raw = Vec::new();
    rest.take(LINE_BYTES_MAX as u64 + 1).read_until(b'\n', &mut raw)?;
    Ok(raw)
}

/// Everything from line `seq` on, which was cut short; none where it was damaged: it is longer than what is ever under
/// way to the disk, or a later line says that it had been synced. Blocks of writes that were never synced may reach the
/// disk in any order.
fn torn(first: Vec<u8>, rest: &mut impl BufRead, seq: u64) -> std::io::Result<Option<Vec<u8>>> {
    let (mut all, mut raw) = (first, Vec::new());
    loop {
        let last = if raw.is_empty() { &all } else { &raw };
        let vouched =
            !raw.is_empty() && serde_json::from_slice::<Line>(&raw).is_ok_and(|line| line.synced > seq);
        if vouched || last.len() > LINE_BYTES_MAX || all.len() + raw.len() > TORN_BYTES_MAX {
            return Ok(None);
        }
        all.append(&mut raw);
        raw = next_line(rest)?;
        if raw.is_empty() {
            return Ok(Some(all));
        }
    }
}

fn verify(whole: &[u8], previous: &str, seq: u64) -> Option<(Line, String)> {
    let text = std::str::from_utf8(whole).ok()?;
    let (open, tail) = text.rsplit_once(",\"chain\":\"")?;
    let chain = tail.strip_suffix("\"}")?;
    let line: Line =
        serde_json::from_str::<&RawValue>(text).and_then(|raw| serde_json::from_str(raw.get())).ok()?;
    (link(previous, open) == chain && line.seq == seq).then(|| (line, chain.to_string()))
}
