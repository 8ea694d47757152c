//! Bringing the catalogue up to date from the folders of the runs.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use serde::Serialize;
use wattproof_catalogue::{Catalogue, Entry, Error, Place, Question, State};
use wattproof_report::entry;
use wattproof_runs::JOURNAL_FILE;

use crate::failure::Failure;

/// Entries put in one go.
const GO: usize = 100;

/// Which folders are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Which {
    /// Those that the catalogue does not know, and those of runs that had not ended. Nothing is taken out.
    Unknown,
    /// Every one; runs whose folders are gone are taken out.
    All,
}

/// What was done.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Brought {
    /// Runs that the catalogue did not know.
    pub new: u64,
    /// Runs that it knew otherwise.
    pub changed: u64,
    /// Runs that it knew as they are.
    pub same: u64,
    /// Runs whose folders are gone.
    pub gone: u64,
    /// Folders that can't be read, and why.
    pub damaged: Vec<Damaged>,
    /// Where a damaged catalogue was put aside.
    pub aside: Option<PathBuf>,
}

/// A folder that can't be read.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Damaged {
    /// The run.
    pub run: String,
    /// Why.
    pub why: String,
}

/// Opens the catalogue of a folder of runs, as up to date as asked. One that is damaged is put aside and made anew: all
/// that is in it is in the folders.
///
/// # Errors
/// The folder can't be read, or the catalogue neither opened nor made anew.
pub async fn fresh(results: &Path, which: Which) -> Result<(Catalogue, Brought), Failure> {
    let place = Place::of_runs(results);
    let (catalogue, aside) = match Catalogue::open(&place).await {
        Err(error @ (Error::Damaged { .. } | Error::Foreign { .. })) => {
            aside!("wattproof: {error}: it is put aside and made anew");
            Catalogue::rebuild(&place).await?
        }
        opened => (opened?, None),
    };
    let which = if aside.is_some() { Which::All } else { which };
    let mut brought = bring(&catalogue, results, which).await?;
    brought.aside = aside;
    Ok((catalogue, brought))
}

/// Reads the folders and puts what is new.
async fn bring(catalogue: &Catalogue, results: &Path, which: Which) -> Result<Brought, Failure> {
    let known = catalogue.all_state().await?;
    let all = catalogue.find(&Question::default()).await?;
    let ended: BTreeSet<String> =
        all.into_iter().filter(|run| run.outcome.is_some()).map(|run| run.key).collect();
    let by_run: BTreeMap<&str, &State> = known.iter().map(|state| (state.run.as_str(), state)).collect();
    let (mut brought, mut there) = (Brought::default(), BTreeSet::new());
    let mut go: Vec<Entry> = Vec::new();
    for name in folders(results)? {
        let path = results.join(&name);
        if let (Which::Unknown, Some(state)) = (which, by_run.get(name.as_str()))
            && ended.contains(&state.key)
        {
            there.insert(state.key.clone());
            brought.same += 1;
            continue;
        }
        match entry(&path) {
            Ok(entry) => {
                there.insert(entry.key.clone());
                go.push(entry);
            }
            Err(error) => brought.damaged.push(Damaged { run: name, why: error.to_string() }),
        }
        if go.len() >= GO {
            brought.add(catalogue.put(&std::mem::take(&mut go)).await?);
        }
    }
    brought.add(catalogue.put(&go).await?);
    // What was put away stays known until every folder is looked at. One that can't be read is there all the same.
    if which == Which::Unknown {
        return Ok(brought);
    }
    let damaged: BTreeSet<&str> = brought.damaged.iter().map(|one| one.run.as_str()).collect();
    let gone = known.iter().filter(|one| !there.contains(&one.key) && !damaged.contains(one.run.as_str()));
    for state in gone {
        catalogue.forget(&state.key).await?;
        brought.gone += 1;
    }
    Ok(brought)
}

impl Brought {
    fn add(&mut self, put: wattproof_catalogue::Put) {
        self.new += put.new;
        self.changed += put.replaced;
        self.same += put.kept;
    }
}

/// Names of the folders of runs, oldest first: they begin with the time.
fn folders(results: &Path) -> Result<Vec<String>, Failure> {
    let wrap = |source| Failure::File { path: results.into(), source };
    let mut names = Vec::new();
    for one in std::fs::read_dir(results).map_err(wrap)? {
        let one = one.map_err(wrap)?;
        if one.path().join(JOURNAL_FILE).exists() {
            names.push(one.file_name().to_string_lossy().into_owned());
        }
    }
    names.sort();
    Ok(names)
}
