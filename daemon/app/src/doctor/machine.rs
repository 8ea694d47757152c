//! The machine looked at: files below a root.

use std::path::{Path, PathBuf};

/// A machine, seen through its file system.
pub struct Machine {
    root: PathBuf,
}

/// A running process.
pub struct Process {
    pub id: String,
    pub name: String,
    folder: PathBuf,
}

impl Machine {
    /// This machine.
    pub fn real() -> Self {
        Machine { root: "/".into() }
    }

    /// A machine of a test.
    #[cfg(test)]
    pub fn below(root: &Path) -> Self {
        Machine { root: root.into() }
    }

    /// An absolute path of the machine, below its root.
    pub fn path(&self, path: impl AsRef<Path>) -> PathBuf {
        let path = path.as_ref();
        self.root.join(path.strip_prefix("/").unwrap_or(path))
    }

    /// A file's text without white space around it; none where there is no such file.
    pub fn text(&self, path: impl AsRef<Path>) -> Option<String> {
        std::fs::read_to_string(self.path(path)).ok().map(|text| text.trim().to_string())
    }

    /// Whether systemd runs it.
    pub fn has_systemd(&self) -> bool {
        self.path("/run/systemd/system").is_dir()
    }

    /// The processes that this user may see.
    pub fn processes(&self) -> Vec<Process> {
        let Ok(entries) = std::fs::read_dir(self.path("/proc")) else { return Vec::new() };
        let found = entries.filter_map(|entry| {
            let entry = entry.ok()?;
            let id = entry.file_name().into_string().ok()?;
            id.bytes().all(|byte| byte.is_ascii_digit()).then_some(())?;
            let name = std::fs::read_to_string(entry.path().join("comm")).ok()?.trim().to_string();
            Some(Process { id, name, folder: entry.path() })
        });
        found.collect()
    }
}

impl Process {
    /// Whether it holds a file open, as far as this user may see.
    pub fn holds(&self, path: &Path) -> bool {
        let Ok(open) = std::fs::read_dir(self.folder.join("fd")) else { return false };
        open.filter_map(Result::ok).any(|entry| std::fs::read_link(entry.path()).is_ok_and(|to| to == path))
    }
}

#[cfg(test)]
pub mod fake {
    //! Machines of tests: a folder with the files that matter.

    use std::path::Path;

    use super::Machine;

    /// A root and its machine.
    pub struct Fake {
        /// Kept for as long as the machine is looked at.
        _folder: tempfile::TempDir,
        pub machine: Machine,
    }

    impl Fake {
        pub fn with(files: &[(&str, &str)]) -> Fake {
            let folder = tempfile::tempdir().unwrap();
            let machine = Machine::below(folder.path());
            let fake = Fake { _folder: folder, machine };
            for (path, text) in files {
                let path = fake.machine.path(path);
                std::fs::create_dir_all(path.parent().unwrap()).unwrap();
                std::fs::write(path, text).unwrap();
            }
            fake
        }

        /// A link at `path` that leads to `to`.
        pub fn link(&self, path: &str, to: impl AsRef<Path>) {
            let path = self.machine.path(path);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::os::unix::fs::symlink(to, path).unwrap();
        }
    }
}
