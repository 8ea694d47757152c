//! What the catalogue beside a run knows of its unit and model.

use std::path::Path;

use wattproof_report::{Known, entry};

use crate::catalogue::{Which, fresh};
use crate::client::block_on;
use crate::failure::Failure;

/// What is known beside the run in a folder.
pub fn known(run: &Path) -> Result<Known, Failure> {
    block_on(ask(run))?
}

async fn ask(run: &Path) -> Result<Known, Failure> {
    let this = entry(run)?;
    let run = run.canonicalize().map_err(|source| Failure::File { path: run.into(), source })?;
    let results = run.parent().unwrap_or(&run);
    let (catalogue, brought) = fresh(results, Which::Unknown).await?;
    for one in brought.damaged {
        tracing::warn!(run = one.run, why = one.why, "is left out of the catalogue");
    }
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
