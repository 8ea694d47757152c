//! Which run a person means: its folder, or its name below the folder of all runs.

use std::path::{Path, PathBuf};

use wattproof_runs::RatingsError;

use crate::cli::WhichRun;
use crate::failure::Failure;

/// Most runs that an error lists.
const RUNS_LISTED: usize = 10;

/// The run's folder: as given, or below the folder of all runs.
pub fn folder_of(which: &WhichRun) -> Result<PathBuf, Failure> {
    let below = which.out.join(&which.run);
    if which.run.is_dir() {
        return Ok(which.run.clone());
    }
    if below.is_dir() {
        return Ok(below);
    }
    let there = runs_in(&which.out);
    if there.is_empty() {
        return Err(RatingsError::NoRun { path: which.run.clone() }.into());
    }
    Err(Failure::Said(format!(
        "run {}: no such folder, here or in {}; there are: {}",
        which.run.display(),
        which.out.display(),
        there.join(", ")
    )))
}

/// The newest runs of a folder by name; a folder that can't be read has none.
fn runs_in(results: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(results).into_iter().flatten().flatten();
    let runs = entries.filter(|entry| entry.path().join(wattproof_runs::JOURNAL_FILE).exists());
    let mut names: Vec<String> = runs.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    names.sort_by(|a, b| b.cmp(a));
    names.truncate(RUNS_LISTED);
    names
}
