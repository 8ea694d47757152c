//! A trip that outlasts a restart: what the bench did against its limits, or could not switch off, stands in a file
//! until a person has looked at it. A person's own stop, and a script's own failure with everything confirmed off, do
//! not: that person knows, and the bench never left its limits.
//!
//! The file is written by a thread of its own, after OFF has been sent: no OFF ever waits for a disk.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};
use wattproof_guard::{LatchRecord, TripCause};

/// Its name in the state folder.
pub const LATCH_FILE: &str = "latch.json";

/// A latched trip on disk.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Latch {
    /// The bench's name.
    pub bench: String,
    /// When it was written, seconds since 1970 (UTC).
    pub at_unix_s: u64,
    /// What happened.
    pub record: LatchRecord,
}

/// Why the latch file could not be used.
#[derive(Debug, thiserror::Error)]
#[error("latch file {path}: {source}; make its folder writable, or name another")]
pub struct LatchError {
    /// The file.
    pub path: PathBuf,
    /// Why.
    pub source: std::io::Error,
}

/// What stands in a state folder; None when no trip was latched. A file that can't be read as a latch counts as an
/// alarm: something was written there, and nobody knows what.
///
/// # Errors
/// The file is there and can't be read at all.
pub fn read_latch(folder: &Path) -> Result<Option<Latch>, LatchError> {
    let path = folder.join(LATCH_FILE);
    let bytes = match fs::read(&path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(source) => return Err(LatchError { path, source }),
    };
    Ok(Some(serde_json::from_slice(&bytes).unwrap_or_else(|error| Latch {
        bench: String::new(),
        at_unix_s: 0,
        record: LatchRecord {
            alarm: true,
            at_s: 0.0,
            cause: TripCause::Instrument {
                what: format!(
                    "the latch file {} is damaged ({error}): what tripped is not known",
                    path.display()
                ),
            },
            evidence: Vec::new(),
            evidence_more: 0,
        },
    })))
}

/// Writes aside, syncs, renames, syncs the folder.
fn write(folder: &Path, latch: &Latch) -> std::io::Result<()> {
    fs::create_dir_all(folder)?;
    let aside = folder.join("latch.json.new");
    let mut file = File::create(&aside)?;
    file.write_all(&serde_json::to_vec_pretty(latch)?)?;
    file.sync_all()?;
    fs::rename(&aside, folder.join(LATCH_FILE))?;
    File::open(folder)?.sync_all()
}

fn remove(folder: &Path) -> std::io::Result<()> {
    match fs::remove_file(folder.join(LATCH_FILE)) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    File::open(folder)?.sync_all()
}

/// Keeps the file as the guard's latch is. Without a folder it keeps nothing.
pub(crate) struct Keeper {
    folder: Option<PathBuf>,
    bench: String,
    /// What was handed over last.
    last: Arc<Mutex<Option<LatchRecord>>>,
    writing: Mutex<Vec<JoinHandle<()>>>,
    /// One writer at a time.
    disk: Arc<Mutex<()>>,
}

impl Keeper {
    pub fn new(folder: Option<PathBuf>, bench: &str, standing: Option<LatchRecord>) -> Self {
        let last = Arc::new(Mutex::new(standing));
        Keeper { folder, bench: bench.into(), last, writing: Mutex::default(), disk: Arc::default() }
    }

    /// Hands over what must stand; returns at once.
    pub fn keep(&self, record: LatchRecord) {
        let Some(folder) = self.folder.clone() else { return };
        {
            let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
            if last.as_ref() == Some(&record) {
                return;
            }
            *last = Some(record);
        }
        let (bench, last, disk) = (self.bench.clone(), Arc::clone(&self.last), Arc::clone(&self.disk));
        let body = move || {
            let _turn = disk.lock().unwrap_or_else(PoisonError::into_inner);
            // The latest, whoever comes last: an older one never overwrites it.
            let Some(record) = last.lock().unwrap_or_else(PoisonError::into_inner).clone() else { return };
            let at_unix_s = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
            if let Err(error) = write(&folder, &Latch { bench, at_unix_s, record }) {
                tracing::error!(
                    "the trip could not be written to {}: {error}; a restart will not know of it: look at the bench before the next run",
                    folder.display()
                );
            }
        };
        match std::thread::Builder::new().name("latch".into()).spawn(body) {
            Ok(handle) => self.writing.lock().unwrap_or_else(PoisonError::into_inner).push(handle),
            Err(error) => tracing::error!("no thread to write the trip down: {error}"),
        }
    }

    /// Removes the file, after a reset.
    pub fn clear(&self) -> Result<(), LatchError> {
        let Some(folder) = &self.folder else { return Ok(()) };
        *self.last.lock().unwrap_or_else(PoisonError::into_inner) = None;
        let _turn = self.disk.lock().unwrap_or_else(PoisonError::into_inner);
        if !folder.join(LATCH_FILE).exists() {
            return Ok(());
        }
        remove(folder).map_err(|source| LatchError { path: folder.join(LATCH_FILE), source })
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        for handle in self.writing.lock().unwrap_or_else(PoisonError::into_inner).drain(..) {
            if handle.join().is_err() {
                tracing::error!("the thread that writes the trip down had panicked");
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    fn record(what: &str) -> LatchRecord {
        let cause = TripCause::Instrument { what: what.into() };
        LatchRecord { alarm: false, at_s: 1.5, cause, evidence: Vec::new(), evidence_more: 0 }
    }

    #[test]
    fn the_latest_record_stands_until_it_is_cleared() {
        let folder = tempfile::tempdir().unwrap();
        let state = folder.path().join("deeper/state");
        assert!(read_latch(&state).unwrap().is_none());
        let keeper = Keeper::new(Some(state.clone()), "b", None);
        for n in 0..20 {
            keeper.keep(record(&format!("cause {n}")));
        }
        drop(keeper);
        let latch = read_latch(&state).unwrap().unwrap();
        assert_eq!((latch.record, latch.bench.as_str()), (record("cause 19"), "b"));
        assert!(latch.at_unix_s > 1_600_000_000);
        assert!(!state.join("latch.json.new").exists());
        let keeper = Keeper::new(Some(state.clone()), "b", None);
        keeper.clear().unwrap();
        keeper.clear().unwrap();
        assert!(read_latch(&state).unwrap().is_none());
    }

    #[test]
    fn fault_48_a_damaged_latch_counts_as_an_alarm() {
        let folder = tempfile::tempdir().unwrap();
        for bytes in [&b""[..], b"{\"bench\":", b"\xff\xfe"] {
            fs::write(folder.path().join(LATCH_FILE), bytes).unwrap();
            let latch = read_latch(folder.path()).unwrap().unwrap();
            assert!(latch.record.alarm && latch.record.cause.to_string().contains("damaged"));
        }
    }

    #[test]
    fn a_folder_that_cannot_be_written_is_told_and_holds_nobody_up() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("file"), "x").unwrap();
        let keeper = Keeper::new(Some(folder.path().join("file")), "b", None);
        keeper.keep(record("x"));
        drop(keeper);
        assert!(read_latch(&folder.path().join("file")).is_err());
    }
}
