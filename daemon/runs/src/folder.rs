//! A run's folder under `results/`.

use std::fs::Metadata;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::RunError;
use crate::disk::{Disk, MachineDisk};

/// The journal of a run, in its folder.
pub const JOURNAL_FILE: &str = "journal.jsonl";
/// Where its captures are, in its folder.
pub const CAPTURES_FOLDER: &str = "captures";

/// The findings of a run, in its folder.
pub const FINDINGS_FILE: &str = "findings.csv";

/// The folder that a run owns.
#[derive(Clone)]
pub struct RunFolder {
    disk: Arc<dyn Disk>,
    path: PathBuf,
    name: String,
}

impl std::fmt::Debug for RunFolder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("RunFolder").field("path", &self.path).finish_non_exhaustive()
    }
}

impl RunFolder {
    /// Makes a new folder below `results`, named by UTC time and amplifier; never reuses one.
    ///
    /// # Errors
    /// [`RunError::Folder`].
    pub fn create(disk: Arc<dyn Disk>, results: &Path, amplifier: &str) -> Result<Self, RunError> {
        let stamp = chrono::Utc::now().format("%Y%m%dT%H%M%SZ");
        let label: String = amplifier
            .to_lowercase()
            .chars()
            .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
            .take(40)
            .collect();
        for suffix in 0..100 {
            let tail = if suffix == 0 { String::new() } else { format!("-{suffix}") };
            let name = format!("{stamp}-{label}{tail}");
            let path = results.join(&name);
            match disk.make_folder(&path) {
                Ok(()) => {
                    let captures = path.join(CAPTURES_FOLDER);
                    disk.make_folder(&captures)
                        .map_err(|source| RunError::Folder { path: captures, source })?;
                    return Ok(RunFolder { disk, path, name });
                }
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(source) => return Err(RunError::Folder { path, source }),
            }
        }
        let source = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
        Err(RunError::Folder { path: results.into(), source })
    }

    /// The folder of an earlier run.
    ///
    /// # Errors
    /// [`RunError::NoRun`] when it holds no journal; [`RunError::Folder`] when its captures lie elsewhere.
    pub fn open(path: &Path) -> Result<Self, RunError> {
        let named = path.canonicalize().ok().filter(|path| path.join(JOURNAL_FILE).exists());
        let path = named.ok_or_else(|| RunError::NoRun { path: path.into() })?;
        // The folder may come from another person: what it makes this program read and write stays below it.
        for (part, is_it) in
            [(JOURNAL_FILE, Metadata::is_file as fn(&Metadata) -> bool), (CAPTURES_FOLDER, Metadata::is_dir)]
        {
            let part = path.join(part);
            if part.symlink_metadata().is_ok_and(|about| !is_it(&about)) {
                let what = "it is a symbolic link, or nothing that a run leaves there: put the run's own in its place";
                let source = std::io::Error::new(std::io::ErrorKind::InvalidInput, what);
                return Err(RunError::Folder { path: part, source });
            }
        }
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        Ok(RunFolder { disk: Arc::new(MachineDisk), path, name })
    }

    /// The folder of an earlier run on a disk of one's own.
    pub fn on(disk: Arc<dyn Disk>, path: &Path) -> Self {
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        RunFolder { disk, path: path.into(), name }
    }

    /// The disk it is on.
    pub fn disk(&self) -> &Arc<dyn Disk> {
        &self.disk
    }

    /// The folder's path.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The run's name, which is the folder's.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// A file in the folder.
    pub fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }

    /// Writes a small file whole: written aside, synced, then moved into place.
    ///
    /// # Errors
    /// [`RunError::Folder`].
    pub fn write_whole(&self, name: &str, text: &str) -> Result<(), RunError> {
        let path = self.file(name);
        self.disk.write_whole(&path, text.as_bytes()).map_err(|source| RunError::Folder { path, source })
    }
}
