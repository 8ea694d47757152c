//! `wattproof reindex`: the catalogue made anew from the folders of the runs.

use std::path::PathBuf;

use clap::Args;
use wattproof_catalogue::{Catalogue, Place};

use super::{Brought, Which, fresh};
use crate::client::block_on;
use crate::failure::Failure;
use crate::say::{say, say_json};

/// `reindex`.
#[derive(Args)]
pub struct ReindexOrder {
    /// Folder of all runs
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub results: PathBuf,
    /// Put the catalogue that is there aside first, and make a new one
    #[arg(long)]
    pub anew: bool,
    /// Print what was done as JSON
    #[arg(long)]
    pub json: bool,
}

/// Reads every folder.
pub fn reindex(order: &ReindexOrder) -> Result<(), Failure> {
    let brought = block_on(async {
        let aside = if order.anew {
            let (catalogue, aside) = Catalogue::rebuild(&Place::of_runs(&order.results)).await?;
            catalogue.close().await;
            aside
        } else {
            None
        };
        let (catalogue, mut brought) = fresh(&order.results, Which::All).await?;
        catalogue.close().await;
        brought.aside = aside.or(brought.aside);
        Ok::<_, Failure>(brought)
    })??;
    if order.json { say_json(&brought) } else { say(&words(&brought, order)) }
}

fn words(brought: &Brought, order: &ReindexOrder) -> String {
    let mut lines = vec![format!(
        "{}: {} new, {} changed, {} as they were, {} gone",
        Place::of_runs(&order.results),
        brought.new,
        brought.changed,
        brought.same,
        brought.gone
    )];
    if let Some(aside) = &brought.aside {
        lines.push(format!("what was there before is kept as {}", aside.display()));
    }
    lines.extend(brought.damaged.iter().map(|one| format!("left out: {}: {}", one.run, one.why)));
    lines.join("\n")
}
