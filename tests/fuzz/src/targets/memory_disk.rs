//! A disk in memory.

use std::collections::HashMap;
use std::io::{Error, ErrorKind, Result};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use wattproof_runs::{Disk, Growing};

type Files = Arc<Mutex<HashMap<PathBuf, Vec<u8>>>>;

/// Files by path; folders are always there.
#[derive(Default, Clone)]
pub struct MemoryDisk(Files);

impl MemoryDisk {
    /// A disk with one file.
    pub fn holding(path: &Path, bytes: &[u8]) -> Self {
        let disk = Self::default();
        disk.put(path, bytes);
        disk
    }

    /// Puts a file there.
    pub fn put(&self, path: &Path, bytes: &[u8]) {
        self.0.lock().unwrap().insert(path.into(), bytes.to_vec());
    }

    fn growing(&self, path: &Path) -> Box<dyn Growing> {
        Box::new(MemoryFile { files: Arc::clone(&self.0), path: path.into() })
    }
}

struct MemoryFile {
    files: Files,
    path: PathBuf,
}

impl Growing for MemoryFile {
    fn append(&mut self, bytes: &[u8]) -> Result<()> {
        self.files.lock().unwrap().entry(self.path.clone()).or_default().extend_from_slice(bytes);
        Ok(())
    }

    fn sync(&mut self) -> Result<()> {
        Ok(())
    }
}

impl Disk for MemoryDisk {
    fn make_folder(&self, _: &Path) -> Result<()> {
        Ok(())
    }

    fn create(&self, path: &Path) -> Result<Box<dyn Growing>> {
        if self.0.lock().unwrap().contains_key(path) {
            return Err(Error::from(ErrorKind::AlreadyExists));
        }
        self.put(path, b"");
        Ok(self.growing(path))
    }

    fn reopen(&self, path: &Path, keep: u64) -> Result<Box<dyn Growing>> {
        let mut bytes = self.read(path)?;
        bytes.truncate(keep as usize);
        self.put(path, &bytes);
        Ok(self.growing(path))
    }

    fn write_whole(&self, path: &Path, bytes: &[u8]) -> Result<()> {
        self.put(path, bytes);
        Ok(())
    }

    fn read(&self, path: &Path) -> Result<Vec<u8>> {
        let files = self.0.lock().unwrap();
        files.get(path).cloned().ok_or_else(|| Error::from(ErrorKind::NotFound))
    }

    fn remove(&self, path: &Path) -> Result<()> {
        let removed = self.0.lock().unwrap().remove(path);
        removed.map(drop).ok_or_else(|| Error::from(ErrorKind::NotFound))
    }
}
