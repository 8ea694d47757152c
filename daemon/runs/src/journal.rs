//! The journal: append-only JSON lines, each synced before the next output change and chained to the one before
//! by a hash, so that a torn tail or an edited line is known as such.
//!
//! A line is `{"seq":0,"at_s":0.1,"kind":"step","data":{…},"chain":"16 hex digits"}`; `chain` is the first half of
//! the SHA-256 over the previous chain value followed by the line's bytes up to `,"chain"`.

use std::fs::File;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use sha2::{Digest, Sha256};

/// One line as read back.
#[derive(Debug, Clone, Deserialize)]
pub struct Line {
    /// Number, from 0 without gaps.
    pub seq: u64,
    /// Bench clock, s.
    pub at_s: f64,
    /// What kind of record.
    pub kind: String,
    /// The record.
    pub data: serde_json::Value,
}

/// A journal open for appending.
pub struct Journal {
    file: File,
    path: PathBuf,
    seq: u64,
    chain: String,
    poisoned: bool,
}

/// The journal can't be written or read.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The operating system refused.
    #[error(
        "journal {path}: {source}; free disk space or mend the disk, the run can't go on without its record"
    )]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// An earlier write or sync failed; the file's state is unknown, so nothing more is acknowledged through it.
    #[error("journal {path}: an earlier write failed, nothing more is recorded through it; start a new run")]
    Poisoned {
        /// The file.
        path: PathBuf,
    },
    /// A record can't be put into JSON.
    #[error("journal {path}: a record could not be written as JSON: {source}")]
    Record {
        /// The file.
        path: PathBuf,
        /// Why.
        source: serde_json::Error,
    },
}

#[derive(Serialize)]
struct Body<'a, T: Serialize> {
    seq: u64,
    at_s: f64,
    kind: &'a str,
    data: &'a T,
}

impl Journal {
    /// Creates a journal; an existing file is never overwritten.
    ///
    /// # Errors
    /// [`JournalError::Io`].
    pub fn create(path: &Path) -> Result<Self, JournalError> {
        let io = |source| JournalError::Io { path: path.into(), source };
        let file = File::options().append(true).create_new(true).open(path).map_err(io)?;
        // The directory entry must survive a power cut as well.
        if let Some(folder) = path.parent() {
            File::open(folder).and_then(|folder| folder.sync_all()).map_err(io)?;
        }
        Ok(Journal { file, path: path.into(), seq: 0, chain: String::new(), poisoned: false })
    }

    /// Appends one record and syncs it to the disk; returns its number once it is safe.
    ///
    /// # Errors
    /// [`JournalError`]; after a failed write or sync every later call fails as well.
    pub fn append<T: Serialize>(&mut self, at_s: f64, kind: &str, data: &T) -> Result<u64, JournalError> {
        if self.poisoned {
            return Err(JournalError::Poisoned { path: self.path.clone() });
        }
        let body = serde_json::to_string(&Body { seq: self.seq, at_s, kind, data })
            .map_err(|source| JournalError::Record { path: self.path.clone(), source })?;
        let open = body.strip_suffix('}').unwrap_or(&body);
        let chain = link(&self.chain, open);
        let line = format!("{open},\"chain\":\"{chain}\"}}\n");
        if let Err(source) = self.file.write_all(line.as_bytes()).and_then(|()| self.file.sync_data()) {
            self.poisoned = true;
            return Err(JournalError::Io { path: self.path.clone(), source });
        }
        self.chain = chain;
        self.seq += 1;
        Ok(self.seq - 1)
    }

    /// The hash that vouches for everything written so far.
    pub fn chain(&self) -> &str {
        &self.chain
    }
}

fn link(previous: &str, open_line: &str) -> String {
    let digest = Sha256::new().chain_update(previous).chain_update(open_line).finalize();
    digest.iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

/// What a journal on the disk holds.
#[derive(Debug)]
pub struct ReadJournal {
    /// Every whole line, in order.
    pub lines: Vec<Line>,
    /// Hash after the last whole line.
    pub chain: String,
    /// Bytes after the last whole line (a write cut short), if any.
    pub torn_bytes: usize,
    /// The first line (from 1) whose hash or number is wrong, if any; `lines` ends before it.
    pub broken_line: Option<usize>,
}

/// Reads a journal back, stopping at the first line that is torn or was altered.
///
/// # Errors
/// [`JournalError::Io`] when the file can't be read.
pub fn read_journal(path: &Path) -> Result<ReadJournal, JournalError> {
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|mut file| file.read_to_end(&mut bytes))
        .map_err(|source| JournalError::Io { path: path.into(), source })?;
    let mut read = ReadJournal { lines: Vec::new(), chain: String::new(), torn_bytes: 0, broken_line: None };
    for (index, raw) in bytes.split_inclusive(|byte| *byte == b'\n').enumerate() {
        let Some(whole) = raw.strip_suffix(b"\n") else {
            read.torn_bytes = raw.len();
            break;
        };
        let Some((line, chain)) = verify(whole, &read.chain, index as u64) else {
            read.broken_line = Some(index + 1);
            break;
        };
        read.lines.push(line);
        read.chain = chain;
    }
    Ok(read)
}

fn verify(whole: &[u8], previous: &str, seq: u64) -> Option<(Line, String)> {
    let text = std::str::from_utf8(whole).ok()?;
    let (open, tail) = text.rsplit_once(",\"chain\":\"")?;
    let chain = tail.strip_suffix("\"}")?;
    let line: Line =
        serde_json::from_str::<&RawValue>(text).and_then(|raw| serde_json::from_str(raw.get())).ok()?;
    (link(previous, open) == chain && line.seq == seq).then(|| (line, chain.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written() -> (tempfile::TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.jsonl");
        let mut journal = Journal::create(&path).unwrap();
        for n in 0..5 {
            assert_eq!(
                journal.append(f64::from(n), "step", &serde_json::json!({ "n": n })).unwrap(),
                n as u64
            );
        }
        (folder, path)
    }

    #[test]
    fn what_was_written_is_read_back_whole() {
        let (_folder, path) = written();
        let read = read_journal(&path).unwrap();
        assert_eq!(read.lines.len(), 5);
        assert_eq!(read.lines[3].data["n"], 3);
        assert_eq!((read.torn_bytes, read.broken_line), (0, None));
        assert!(Journal::create(&path).is_err(), "an existing journal is never overwritten");
    }

    /// Cut at every byte: every whole line before the cut is still there, and nothing else.
    #[test]
    fn every_torn_tail_keeps_the_whole_lines() {
        let (_folder, path) = written();
        let bytes = std::fs::read(&path).unwrap();
        for cut in 0..bytes.len() {
            std::fs::write(&path, &bytes[..cut]).unwrap();
            let read = read_journal(&path).unwrap();
            let whole = bytes[..cut].iter().filter(|byte| **byte == b'\n').count();
            assert_eq!(read.lines.len(), whole);
            assert_eq!(read.broken_line, None);
        }
    }

    #[test]
    fn an_altered_line_is_found() {
        let (_folder, path) = written();
        let text = std::fs::read_to_string(&path).unwrap().replace("\"n\":2", "\"n\":7");
        std::fs::write(&path, text).unwrap();
        let read = read_journal(&path).unwrap();
        assert_eq!((read.lines.len(), read.broken_line), (2, Some(3)));
    }

    #[test]
    fn after_a_failed_write_nothing_more_is_acknowledged() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("full.jsonl");
        let full = File::options().write(true).open("/dev/full").unwrap();
        let mut journal = Journal { file: full, path, seq: 0, chain: String::new(), poisoned: false };
        assert!(matches!(journal.append(0.0, "step", &1), Err(JournalError::Io { .. })));
        assert!(matches!(journal.append(0.0, "step", &1), Err(JournalError::Poisoned { .. })));
    }
}
