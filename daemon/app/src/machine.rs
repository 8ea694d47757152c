//! The machine looked at: files below a root.

use std::path::{Path, PathBuf};

use wattproof_link::{Address, PortFound, ports_below};

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

    /// Its ports, by the paths they have on it.
    pub fn ports(&self) -> Vec<PortFound> {
        let mut ports = ports_below(&self.root);
        let own =
            |path: &str| Path::new(path).strip_prefix(&self.root).ok().map(|path| Path::new("/").join(path));
        for port in &mut ports {
            for name in
                [Some(&mut port.path), port.by_id.as_mut(), port.by_path.as_mut()].into_iter().flatten()
            {
                if let Some(path) = own(name).and_then(|path| path.to_str().map(str::to_string)) {
                    *name = path;
                }
            }
        }
        ports
    }

    /// Whether systemd runs it.
    pub fn has_systemd(&self) -> bool {
        self.path("/run/systemd/system").is_dir()
    }

    /// Who holds a port open, in words; this process does not count.
    pub fn holder(&self, port: &Path) -> Option<String> {
        let own = std::process::id().to_string();
        let mut others = self.processes().into_iter().filter(|process| process.id != own);
        let process = others.find(|process| process.holds(port))?;
        Some(format!("{} (process {})", process.name, process.id))
    }

    /// The same for a link; nobody holds what is no device.
    pub fn holder_of(&self, link: &Address) -> Option<String> {
        match link {
            Address::Serial { path, .. } | Address::UsbTmc { path } => {
                self.holder(&std::fs::canonicalize(path).ok()?)
            }
            _ => None,
        }
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
    /// Whether it holds a port open, as far as this user may see. Whoever keeps the far end of a pseudo-terminal is the
    /// instrument behind it, not somebody else at the port.
    pub fn holds(&self, path: &Path) -> bool {
        let Ok(open) = std::fs::read_dir(self.folder.join("fd")) else { return false };
        let open: Vec<PathBuf> =
            open.filter_map(|entry| std::fs::read_link(entry.ok()?.path()).ok()).collect();
        let serves = path.starts_with("/dev/pts") && open.iter().any(|to| to.ends_with("ptmx"));
        !serves && open.iter().any(|to| to == path)
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
