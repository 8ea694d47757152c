//! A journal read back: every whole line, and what is wrong with the rest.

use std::path::Path;

use serde::Deserialize;
use serde_json::value::RawValue;

use super::{JournalError, link};
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

/// Reads a journal back, stopping at the first line that is torn or was altered.
///
/// # Errors
/// [`JournalError::Io`] when the file can't be read.
pub fn read_journal(disk: &dyn Disk, path: &Path) -> Result<ReadJournal, JournalError> {
    let bytes = disk.read(path).map_err(|source| JournalError::Io { path: path.into(), source })?;
    Ok(parse(&bytes))
}

/// The same from bytes.
pub fn parse(bytes: &[u8]) -> ReadJournal {
    let mut read = ReadJournal {
        lines: Vec::new(),
        chain: String::new(),
        whole_bytes: 0,
        torn: Vec::new(),
        broken_line: None,
    };
    let mut rest = bytes;
    while !rest.is_empty() {
        let length = rest.iter().position(|byte| *byte == b'\n').map_or(rest.len(), |at| at + 1);
        let (raw, after) = rest.split_at(length);
        let seq = read.lines.len() as u64;
        let Some((line, chain)) = raw.strip_suffix(b"\n").and_then(|whole| verify(whole, &read.chain, seq))
        else {
            if vouched_for(after, seq) {
                read.broken_line = Some(read.lines.len() + 1);
            } else {
                read.torn = rest.to_vec();
            }
            break;
        };
        read.lines.push(line);
        read.chain = chain;
        read.whole_bytes += raw.len() as u64;
        rest = after;
    }
    read
}

/// Whether a later line says that line `seq` had been synced: then it was damaged, not cut short. Blocks of writes that
/// were never synced may reach the disk in any order.
fn vouched_for(after: &[u8], seq: u64) -> bool {
    let lines = after.split(|byte| *byte == b'\n');
    let mut parsed = lines.filter_map(|raw| serde_json::from_slice::<Line>(raw).ok());
    parsed.any(|line| line.synced > seq)
}

fn verify(whole: &[u8], previous: &str, seq: u64) -> Option<(Line, String)> {
    let text = std::str::from_utf8(whole).ok()?;
    let (open, tail) = text.rsplit_once(",\"chain\":\"")?;
    let chain = tail.strip_suffix("\"}")?;
    let line: Line =
        serde_json::from_str::<&RawValue>(text).and_then(|raw| serde_json::from_str(raw.get())).ok()?;
    (link(previous, open) == chain && line.seq == seq).then(|| (line, chain.to_string()))
}
