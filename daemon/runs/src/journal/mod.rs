//! The journal: append-only JSON lines, each chained to the one before by a hash, so that a torn tail or an edited
//! line is known as such. What must be on the disk before the next output change is synced; a sync covers everything
//! before it.
//!
//! A line is `{"seq":0,"synced":0,"at_s":0.1,"kind":"step","data":{…},"chain":"16 hex digits"}`; `synced` is how many
//! lines were known to be on the disk when it was written, so that after a power cut a torn line can be told from a
//! damaged one; `chain` is the first half of the SHA-256 over the previous chain value followed by the line's bytes up
//! to `,"chain"`.

mod read;

pub use read::{Line, ReadJournal, read_journal, walk_journal};

use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::disk::{Disk, Growing};

/// Bytes set aside for the record of a fault on a full disk.
const RESERVE_BYTES: usize = 64 * 1024;

/// Longest line, bytes: four times the most that a script may hand over.
pub(crate) const LINE_BYTES_MAX: usize = 16 << 20;

/// A journal open for appending.
pub struct Journal {
    disk: Arc<dyn Disk>,
    file: Box<dyn Growing>,
    path: PathBuf,
    seq: u64,
    synced: u64,
    chain: String,
    poisoned: bool,
    reserved: bool,
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
    #[error(
        "journal {path}: an earlier write failed, nothing more is recorded through it; mend the disk, then resume the run"
    )]
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
    /// A record is longer than any reader of the journal takes. Nothing of it was written.
    #[error(
        "journal {path}: a {kind:?} record of {bytes} bytes is longer than what can be read back; hand over less from the script"
    )]
    LongRecord {
        /// The file.
        path: PathBuf,
        /// What it records.
        kind: String,
        /// Its length, bytes.
        bytes: usize,
    },
    /// A line was altered or a piece is missing.
    #[error(
        "journal {path}: line {line} does not fit the lines before it (altered, or a piece is missing); nothing after it can be trusted: restore the file from a copy"
    )]
    Broken {
        /// The file.
        path: PathBuf,
        /// The line, from 1.
        line: usize,
    },
}

#[derive(Serialize)]
struct Body<'a, T: Serialize> {
    seq: u64,
    synced: u64,
    at_s: f64,
    kind: &'a str,
    data: &'a T,
}

impl Journal {
    /// Creates a journal; an existing file is never overwritten.
    ///
    /// # Errors
    /// [`JournalError::Io`].
    pub fn create(disk: &Arc<dyn Disk>, path: &Path) -> Result<Self, JournalError> {
        let io = |source| JournalError::Io { path: path.into(), source };
        let file = disk.create(path).map_err(io)?;
        Self::over(disk, file, path, 0, String::new())
    }

    /// Goes on with a journal that was read back: a torn tail is cut off, every whole line stays. What was cut off is
    /// kept beside it, in a file of the journal's name and `.torn`.
    ///
    /// # Errors
    /// [`JournalError::Io`]; [`JournalError::Broken`] when a line in the middle does not fit.
    pub fn reopen(disk: &Arc<dyn Disk>, path: &Path, read: &ReadJournal) -> Result<Self, JournalError> {
        let io = |source| JournalError::Io { path: path.into(), source };
        if let Some(line) = read.broken_line {
            return Err(JournalError::Broken { path: path.into(), line });
        }
        if !read.torn.is_empty() {
            disk.write_whole(&path.with_added_extension("torn"), &read.torn).map_err(io)?;
        }
        let file = disk.reopen(path, read.whole_bytes).map_err(io)?;
        Self::over(disk, file, path, read.lines.len() as u64, read.chain.clone())
    }

    fn over(
        disk: &Arc<dyn Disk>,
        file: Box<dyn Growing>,
        path: &Path,
        seq: u64,
        chain: String,
    ) -> Result<Self, JournalError> {
        let (disk, path) = (Arc::clone(disk), path.to_path_buf());
        let mut journal =
            Journal { disk, file, path, seq, synced: seq, chain, poisoned: false, reserved: false };
        journal.reserve()?;
        Ok(journal)
    }

    /// Sets space aside, so that on a disk that fills up the fault itself can still be recorded.
    fn reserve(&mut self) -> Result<(), JournalError> {
        let path = self.reserve_path();
        let zeros = vec![0; RESERVE_BYTES];
        self.disk.write_whole(&path, &zeros).map_err(|source| JournalError::Io { path, source })?;
        self.reserved = true;
        Ok(())
    }

    fn reserve_path(&self) -> PathBuf {
        self.path.with_added_extension("reserve")
    }

    /// Appends one record; it is on the disk only after the next [`Journal::append`] or [`Journal::sync`].
    ///
    /// # Errors
    /// [`JournalError`]; after a failed write or sync every later call fails as well.
    pub fn write<T: Serialize>(&mut self, at_s: f64, kind: &str, data: &T) -> Result<u64, JournalError> {
        if self.poisoned {
            return Err(JournalError::Poisoned { path: self.path.clone() });
        }
        let body = serde_json::to_string(&Body { seq: self.seq, synced: self.synced, at_s, kind, data })
            .map_err(|source| JournalError::Record { path: self.path.clone(), source })?;
        let open = body.strip_suffix('}').unwrap_or(&body);
        let chain = link(&self.chain, open);
        let line = format!("{open},\"chain\":\"{chain}\"}}\n");
        if line.len() > LINE_BYTES_MAX {
            return Err(JournalError::LongRecord {
                path: self.path.clone(),
                kind: kind.into(),
                bytes: line.len(),
            });
        }
        let written = self.file.append(line.as_bytes());
        self.checked(written)?;
        self.chain = chain;
        self.seq += 1;
        Ok(self.seq - 1)
    }

    /// Appends one record and syncs it to the disk; returns its number once it is safe.
    ///
    /// # Errors
    /// [`JournalError`]; after a failed write or sync every later call fails as well.
    pub fn append<T: Serialize>(&mut self, at_s: f64, kind: &str, data: &T) -> Result<u64, JournalError> {
        let seq = self.write(at_s, kind, data)?;
        self.sync()?;
        Ok(seq)
    }

    /// Puts everything written on the disk.
    ///
    /// # Errors
    /// [`JournalError`].
    pub fn sync(&mut self) -> Result<(), JournalError> {
        if self.poisoned {
            return Err(JournalError::Poisoned { path: self.path.clone() });
        }
        let synced = self.file.sync();
        self.checked(synced)?;
        self.synced = self.seq;
        Ok(())
    }

    /// The same, unless it is there already.
    ///
    /// # Errors
    /// [`JournalError`].
    pub fn keep(&mut self) -> Result<(), JournalError> {
        if self.synced < self.seq || self.poisoned { self.sync() } else { Ok(()) }
    }

    fn checked(&mut self, result: std::io::Result<()>) -> Result<(), JournalError> {
        result.map_err(|source| {
            self.poisoned = true;
            JournalError::Io { path: self.path.clone(), source }
        })
    }

    /// After a write failed: keeps what can still be said about it in a file of its own beside the journal, in the
    /// space set aside. Nothing more goes through the journal itself.
    ///
    /// # Errors
    /// [`JournalError::Io`] when not even that is possible.
    pub fn last_words<T: Serialize>(&mut self, data: &T) -> Result<PathBuf, JournalError> {
        let path = self.path.with_file_name("fault.json");
        let text = serde_json::to_vec_pretty(data)
            .map_err(|source| JournalError::Record { path: path.clone(), source })?;
        self.release();
        self.disk
            .write_whole(&path, &text)
            .map_err(|source| JournalError::Io { path: path.clone(), source })?;
        Ok(path)
    }

    /// Gives the space set aside back.
    pub fn release(&mut self) {
        if std::mem::take(&mut self.reserved)
            && let Err(error) = self.disk.remove(&self.reserve_path())
        {
            tracing::warn!(path = %self.reserve_path().display(), %error, "the space set aside was not given back");
        }
    }

    /// The number that the next line gets.
    pub fn next_seq(&self) -> u64 {
        self.seq
    }

    /// Whether an earlier write failed.
    pub fn is_poisoned(&self) -> bool {
        self.poisoned
    }

    /// The hash that vouches for everything written so far.
    pub fn chain(&self) -> &str {
        &self.chain
    }
}

impl Drop for Journal {
    fn drop(&mut self) {
        self.release();
    }
}

/// The hash of a line, given that of the line before.
fn link(previous: &str, open_line: &str) -> String {
    let digest = Sha256::new().chain_update(previous).chain_update(open_line).finalize();
    digest.iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::MachineDisk;

    fn machine() -> Arc<dyn Disk> {
        Arc::new(MachineDisk)
    }

    fn written() -> (tempfile::TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.jsonl");
        let mut journal = Journal::create(&machine(), &path).unwrap();
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
        let (folder, path) = written();
        let read = read_journal(&MachineDisk, &path).unwrap();
        assert_eq!(read.lines.len(), 5);
        assert_eq!(read.lines[3].data["n"], 3);
        assert_eq!((read.torn.len(), read.broken_line), (0, None));
        assert!(Journal::create(&machine(), &path).is_err(), "an existing journal is never overwritten");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "the space set aside is given back");
    }

    /// Fault 43, cut at every byte: every whole line before the cut is still there, nothing else is, and the journal
    /// goes on from there.
    #[test]
    fn fault_43_every_torn_tail_keeps_the_whole_lines_and_goes_on() {
        let (_folder, path) = written();
        let bytes = std::fs::read(&path).unwrap();
        for cut in 0..bytes.len() {
            std::fs::write(&path, &bytes[..cut]).unwrap();
            let read = read_journal(&MachineDisk, &path).unwrap();
            let whole = bytes[..cut].iter().filter(|byte| **byte == b'\n').count();
            assert_eq!(read.lines.len(), whole);
            assert_eq!(read.broken_line, None);
            let mut journal = Journal::reopen(&machine(), &path, &read).unwrap();
            assert_eq!(journal.append(9.0, "step", &"more").unwrap(), whole as u64);
            drop(journal);
            let again = read_journal(&MachineDisk, &path).unwrap();
            assert_eq!((again.lines.len(), again.torn.len(), again.broken_line), (whole + 1, 0, None));
            let torn = path.with_added_extension("torn");
            if read.torn.is_empty() {
                assert!(!torn.exists());
            } else {
                assert_eq!(std::fs::read(&torn).unwrap(), read.torn);
                std::fs::remove_file(&torn).unwrap();
            }
        }
    }

    /// Fault 48.
    #[test]
    fn fault_48_an_altered_line_is_found_and_nothing_is_appended_after_it() {
        let (_folder, path) = written();
        let text = std::fs::read_to_string(&path).unwrap().replace("\"n\":2", "\"n\":7");
        std::fs::write(&path, text).unwrap();
        let read = read_journal(&MachineDisk, &path).unwrap();
        assert_eq!((read.lines.len(), read.broken_line), (2, Some(3)));
        assert!(matches!(
            Journal::reopen(&machine(), &path, &read),
            Err(JournalError::Broken { line: 3, .. })
        ));
    }

    /// Fault 52: what is no journal ends the reading early, however long it is and however deeply it nests.
    #[test]
    fn fault_52_a_huge_or_deep_journal_is_refused_in_bounded_memory() {
        let (_folder, path) = written();
        let whole = std::fs::read(&path).unwrap();
        let broken = |tail: &[u8]| {
            std::fs::write(&path, [&whole, tail].concat()).unwrap();
            let read = read_journal(&MachineDisk, &path).unwrap();
            (read.lines.len(), read.torn.len(), read.broken_line)
        };
        let deep = "[".repeat(100_000);
        let line = format!("{{\"seq\":5,\"synced\":9,\"at_s\":0,\"kind\":\"a\",\"data\":{deep}\n");
        assert_eq!(broken(line.as_bytes()), (5, line.len(), None), "as good as torn");
        assert_eq!(broken(&vec![b'x'; LINE_BYTES_MAX + 1]), (5, 0, Some(6)));
        let many = b"none of ours\n".repeat((64 << 20) / 13 + 1);
        assert_eq!(broken(&many), (5, 0, Some(6)));
        // A terabyte of nothing, which takes no room on the disk.
        std::fs::write(&path, &whole).unwrap();
        std::fs::File::options().write(true).open(&path).unwrap().set_len(1 << 40).unwrap();
        let began = std::time::Instant::now();
        assert_eq!(read_journal(&MachineDisk, &path).unwrap().broken_line, Some(6));
        assert!(began.elapsed() < std::time::Duration::from_secs(20), "{:?}", began.elapsed());
    }

    /// Fault 52: what could not be read back is not written, and costs the run no more than that record.
    #[test]
    fn fault_52_a_record_too_long_to_be_read_back_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.jsonl");
        let mut journal = Journal::create(&machine(), &path).unwrap();
        let long = journal.append(0.0, "value", &"x".repeat(LINE_BYTES_MAX));
        assert!(matches!(long, Err(JournalError::LongRecord { .. })), "{long:?}");
        journal.append(0.0, "value", &"short").unwrap();
        assert_eq!(read_journal(&MachineDisk, &path).unwrap().lines.len(), 1);
    }

    /// A file that fails from its n-th call on.
    struct Failing(usize);

    impl Growing for Failing {
        fn append(&mut self, _: &[u8]) -> std::io::Result<()> {
            self.sync()
        }
        fn sync(&mut self) -> std::io::Result<()> {
            self.0 = self.0.checked_sub(1).ok_or_else(|| std::io::Error::from_raw_os_error(28))?;
            Ok(())
        }
    }

    /// Faults 41 and 42: after a failed write or sync nothing more is acknowledged, not even if the disk recovers.
    #[test]
    fn fault_41_and_42_after_a_failed_write_or_sync_nothing_more_is_acknowledged() {
        for good in 0..4 {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("journal.jsonl");
            let failing = Box::new(Failing(good));
            let mut journal = Journal::over(&machine(), failing, &path, 0, String::new()).unwrap();
            let results: Vec<bool> = (0..4).map(|n| journal.append(0.0, "step", &n).is_ok()).collect();
            assert_eq!(results.iter().filter(|ok| **ok).count(), good / 2, "{results:?}");
            assert!(matches!(journal.append(0.0, "step", &1), Err(JournalError::Poisoned { .. })));
            // The fault itself is still put down, in the space set aside.
            assert!(journal.last_words(&"disk full").unwrap().exists());
        }
    }
}
