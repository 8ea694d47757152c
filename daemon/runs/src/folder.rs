//! A run's folder under `results/`.

use std::path::{Path, PathBuf};

use crate::RunError;

/// The folder that a run owns.
#[derive(Debug, Clone)]
pub struct RunFolder {
    path: PathBuf,
    name: String,
}

impl RunFolder {
    /// Makes a new folder below `results`, named by UTC time and amplifier; never reuses one.
    ///
    /// # Errors
    /// [`RunError::Folder`].
    pub fn create(results: &Path, amplifier: &str) -> Result<Self, RunError> {
        let stamp = chrono::Utc::now().format("%Y%m%dT%H%M%SZ");
        let label: String = amplifier
            .to_lowercase()
            .chars()
            .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
            .take(40)
            .collect();
        std::fs::create_dir_all(results)
            .map_err(|source| RunError::Folder { path: results.into(), source })?;
        for suffix in 0..100 {
            let tail = if suffix == 0 { String::new() } else { format!("-{suffix}") };
            let name = format!("{stamp}-{label}{tail}");
            let path = results.join(&name);
            match std::fs::create_dir(&path) {
                Ok(()) => return Ok(RunFolder { path, name }),
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(source) => return Err(RunError::Folder { path, source }),
            }
        }
        let source = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
        Err(RunError::Folder { path: results.into(), source })
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
        use std::io::Write;
        let (path, aside) = (self.file(name), self.file(&format!("{name}.part")));
        let written = std::fs::File::create(&aside).and_then(|mut file| {
            file.write_all(text.as_bytes())?;
            file.sync_all()?;
            std::fs::rename(&aside, &path)?;
            // The new name must survive a power cut as well.
            std::fs::File::open(&self.path)?.sync_all()
        });
        written.map_err(|source| RunError::Folder { path, source })
    }
}
