//! The disk of a rehearsal: keeps a record as long as it is needed, and of captures nothing but that they were written.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Error, ErrorKind, Result};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use wattproof_runs::{CAPTURES_FOLDER, Disk, Growing};

type File = Arc<Mutex<Vec<u8>>>;

/// Files in memory.
#[derive(Default)]
pub struct Memory(Mutex<Kept>);

#[derive(Default)]
struct Kept {
    folders: BTreeSet<PathBuf>,
    files: BTreeMap<PathBuf, File>,
}

struct Appending {
    file: File,
    /// Nobody reads a rehearsal's samples.
    keeps: bool,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn keeps(path: &Path) -> bool {
    !path.components().any(|part| part.as_os_str() == CAPTURES_FOLDER)
}

impl Memory {
    fn file(&self, path: &Path) -> Result<File> {
        lock(&self.0).files.get(path).cloned().ok_or_else(|| Error::from(ErrorKind::NotFound))
    }
}

impl Growing for Appending {
    fn append(&mut self, bytes: &[u8]) -> Result<()> {
        if self.keeps {
            lock(&self.file).extend_from_slice(bytes);
        }
        Ok(())
    }

    fn sync(&mut self) -> Result<()> {
        Ok(())
    }
}

impl Disk for Memory {
    fn make_folder(&self, path: &Path) -> Result<()> {
        if lock(&self.0).folders.insert(path.into()) {
            return Ok(());
        }
        Err(ErrorKind::AlreadyExists.into())
    }

    fn create(&self, path: &Path) -> Result<Box<dyn Growing>> {
        let mut kept = lock(&self.0);
        if kept.files.contains_key(path) {
            return Err(ErrorKind::AlreadyExists.into());
        }
        let file = File::default();
        kept.files.insert(path.into(), Arc::clone(&file));
        Ok(Box::new(Appending { file, keeps: keeps(path) }))
    }

    fn reopen(&self, path: &Path, keep: u64) -> Result<Box<dyn Growing>> {
        let file = self.file(path)?;
        lock(&file).truncate(usize::try_from(keep).unwrap_or(usize::MAX));
        Ok(Box::new(Appending { file, keeps: keeps(path) }))
    }

    fn write_whole(&self, path: &Path, bytes: &[u8]) -> Result<()> {
        let bytes = if keeps(path) { bytes.to_vec() } else { Vec::new() };
        lock(&self.0).files.insert(path.into(), Arc::new(Mutex::new(bytes)));
        Ok(())
    }

    fn read(&self, path: &Path) -> Result<Vec<u8>> {
        Ok(lock(&*self.file(path)?).clone())
    }

    fn remove(&self, path: &Path) -> Result<()> {
        lock(&self.0).files.remove(path).map(drop).ok_or_else(|| Error::from(ErrorKind::NotFound))
    }
}
