//! What the catalogue beside a run knows of its unit and model.

use std::collections::BTreeSet;
use std::path::Path;

use wattproof_catalogue::{Catalogue, Place};
use wattproof_report::{Known, entry};
use wattproof_runs::JOURNAL_FILE;

use crate::client::block_on;
use crate::failure::Failure;

/// The catalogue's name in the folder of all runs.
const CATALOGUE_FILE: &str = "catalogue.sqlite";

/// What is known beside the run in a folder.
pub fn known(run: &Path) -> Result<Known, Failure> {
    block_on(ask(run))?
}

async fn ask(run: &Path) -> Result<Known, Failure> {
    let this = entry(run)?;
    let run = run.canonicalize().map_err(|source| Failure::File { path: run.into(), source })?;
    let results = run.parent().unwrap_or(&run);
    let catalogue = Catalogue::open(&Place::file(&results.join(CATALOGUE_FILE))).await?;
    fresh(&catalogue, results, &this.run).await?;
    let history = match &this.serial {
        Some(serial) => catalogue.history(serial, Some(&this.maker), Some(&this.model)).await?,
        None => Vec::new(),
    };
    let before = match Known::earlier(&history, &this.script, &this.started_utc) {
        Some(key) => catalogue.entry(key).await?,
        None => None,
    };
    let population = catalogue.population(&this.maker, &this.model, &this.script).await?;
    catalogue.close().await;
    Ok(Known { history, before, population })
}

/// Puts the runs that are not in the catalogue; that of `this` name as it is now. One that can't be read is told and left out.
// replaced by catalogue::fresh at the merge
async fn fresh(catalogue: &Catalogue, results: &Path, this: &str) -> Result<(), Failure> {
    let there: BTreeSet<String> = catalogue.all_state().await?.into_iter().map(|state| state.run).collect();
    let wrap = |source| Failure::File { path: results.into(), source };
    for folder in std::fs::read_dir(results).map_err(wrap)? {
        let folder = folder.map_err(wrap)?;
        let name = folder.file_name().to_string_lossy().into_owned();
        if !folder.path().join(JOURNAL_FILE).exists() || (name != this && there.contains(&name)) {
            continue;
        }
        match entry(&folder.path()) {
            Ok(entry) => drop(catalogue.put(&[entry]).await?),
            Err(error) => tracing::warn!(run = name, %error, "is left out of the catalogue"),
        }
    }
    Ok(())
}
