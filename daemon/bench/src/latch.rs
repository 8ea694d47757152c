//! A trip that outlasts a restart: what the bench did against its limits, or could not switch off, stands in a file
//! until a person has looked at it. A person's own stop, and a script's own failure with everything confirmed off, do
//! not: that person knows, and the bench never left its limits.
//!
//! The file is written by a thread of its own, after OFF has been sent: no OFF ever waits for a disk.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
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
    disk: Option<Arc<Disk>>,
    /// What was handed over last.
    last: Arc<Mutex<Option<LatchRecord>>>,
    /// Asks the writer to look; dropped first, it ends it.
    asks: Option<Sender<()>>,
    writer: Option<JoinHandle<()>>,
}

/// The folder; held by one at a time.
struct Disk(Mutex<PathBuf>);

impl Disk {
    fn folder(&self) -> MutexGuard<'_, PathBuf> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Keeper {
    /// Starts the writer, from a thread without precedence: those who hand over have it, and a disk may take its time.
    pub fn new(folder: Option<PathBuf>, bench: &str, standing: Option<LatchRecord>) -> std::io::Result<Self> {
        let last = Arc::new(Mutex::new(standing));
        let Some(folder) = folder else {
            return Ok(Keeper { disk: None, last, asks: None, writer: None });
        };
        let (asks, asked) = channel();
        let disk = Arc::new(Disk(Mutex::new(folder)));
        let (bench, to_write, at_disk) = (bench.to_string(), Arc::clone(&last), Arc::clone(&disk));
        let writer = std::thread::Builder::new().name("latch".into()).spawn(move || {
            while asked.recv().is_ok() {
                keep_last(&at_disk, &bench, &to_write);
            }
        })?;
        Ok(Keeper { disk: Some(disk), last, asks: Some(asks), writer: Some(writer) })
    }

    /// Hands over what must stand; returns at once.
    pub fn keep(&self, record: LatchRecord) {
        let Some(asks) = &self.asks else { return };
        {
            let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
            if last.as_ref() == Some(&record) {
                return;
            }
            *last = Some(record);
        }
        if asks.send(()).is_err() {
            tracing::error!("the thread that writes the trip down has ended; a restart will not know of it");
        }
    }

    /// Removes the file, after a reset.
    pub fn clear(&self) -> Result<(), LatchError> {
        let Some(disk) = &self.disk else { return Ok(()) };
        *self.last.lock().unwrap_or_else(PoisonError::into_inner) = None;
        let folder = disk.folder();
        if !folder.join(LATCH_FILE).exists() {
            return Ok(());
        }
        remove(&folder).map_err(|source| LatchError { path: folder.join(LATCH_FILE), source })
    }
}

/// Writes the latest, whatever was asked for: an older one never overwrites it.
fn keep_last(disk: &Disk, bench: &str, last: &Mutex<Option<LatchRecord>>) {
    let folder = disk.folder();
    let Some(record) = last.lock().unwrap_or_else(PoisonError::into_inner).clone() else { return };
    let at_unix_s = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
    if let Err(error) = write(&folder, &Latch { bench: bench.into(), at_unix_s, record }) {
        tracing::error!(
            "the trip could not be written to {}: {error}; a restart will not know of it: look at the bench before the next run",
            folder.display()
        );
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        drop(self.asks.take());
        if self.writer.take().is_some_and(|writer| writer.join().is_err()) {
            tracing::error!("the thread that writes the trip down had panicked");
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
        let keeper = Keeper::new(Some(state.clone()), "b", None).unwrap();
        for n in 0..20 {
            keeper.keep(record(&format!("cause {n}")));
        }
        drop(keeper);
        let latch = read_latch(&state).unwrap().unwrap();
        assert_eq!((latch.record, latch.bench.as_str()), (record("cause 19"), "b"));
        assert!(latch.at_unix_s > 1_600_000_000);
        assert!(!state.join("latch.json.new").exists());
        let keeper = Keeper::new(Some(state.clone()), "b", None).unwrap();
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
        let keeper = Keeper::new(Some(folder.path().join("file")), "b", None).unwrap();
        keeper.keep(record("x"));
        drop(keeper);
        assert!(read_latch(&folder.path().join("file")).is_err());
    }
}
