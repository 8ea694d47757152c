//! Inputs that are kept: `corpus/<target>/`, and the shipped files themselves.

use std::io;
use std::path::{Path, PathBuf};

use crate::Target;

/// A kept input.
#[derive(Debug, Clone)]
pub struct Seed {
    /// Where it is.
    pub path: PathBuf,
    /// What it holds.
    pub bytes: Vec<u8>,
}

fn home() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Where inputs are kept that something did not survive. Not part of the project: see .gitignore.
pub fn crashes_folder() -> PathBuf {
    home().join("crashes")
}

/// Kept inputs of a target in the order of their names, then those in further folders.
///
/// # Errors
/// A folder or file that can't be read.
pub fn seeds(target: &Target, further: &[PathBuf]) -> io::Result<Vec<Seed>> {
    let mut all = read(&home().join("corpus").join(target.name), None)?;
    for (folder, extension) in target.shipped {
        all.extend(read(&home().join("../..").join(folder), Some(extension))?);
    }
    for folder in further {
        all.extend(read(folder, None)?);
    }
    Ok(all)
}

fn read(folder: &Path, extension: Option<&str>) -> io::Result<Vec<Seed>> {
    let named =
        |error: io::Error, path: &Path| io::Error::new(error.kind(), format!("{}: {error}", path.display()));
    let entries = std::fs::read_dir(folder).map_err(|error| named(error, folder))?;
    let mut paths = entries.map(|entry| entry.map(|entry| entry.path())).collect::<io::Result<Vec<_>>>()?;
    paths.retain(|path| {
        path.is_file() && extension.is_none_or(|end| path.extension().is_some_and(|e| e == end))
    });
    paths.sort();
    let seed = |path: PathBuf| {
        let bytes = std::fs::read(&path).map_err(|error| named(error, &path))?;
        Ok(Seed { path, bytes })
    };
    paths.into_iter().map(seed).collect()
}
