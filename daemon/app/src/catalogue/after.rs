//! What happens to the catalogue when a run has ended.

use std::path::Path;
use std::time::Duration;

use wattproof_catalogue::{Catalogue, Limits, Place};
use wattproof_report::entry;

use crate::client::block_on;
use crate::failure::Failure;

/// Longest that a bench without a daemon waits for the database of all benches.
const PATIENCE: Duration = Duration::from_secs(3);

/// Puts a run that has ended into the catalogue beside it, and queues it for the database of all benches where the bench
/// file names one. Whatever goes wrong is said and changes nothing else: `wattproof reindex` makes it good.
pub fn after_run(folder: &Path, published_to: Option<&str>, sends: bool) {
    let done = block_on(put(folder, published_to, sends)).and_then(|done| done);
    if let Err(error) = done {
        aside!(
            "wattproof: the run is recorded, but not in the catalogue: {error}; `wattproof reindex` puts it there"
        );
    }
}

async fn put(folder: &Path, published_to: Option<&str>, sends: bool) -> Result<(), Failure> {
    let entry = entry(folder)?;
    let results = Path::new(&entry.folder).parent().unwrap_or(Path::new("."));
    let place = published_to.map(Place::parse).transpose()?;
    let catalogue = Catalogue::open(&Place::of_runs(results)).await?;
    match &place {
        Some(place) => catalogue.put_and_publish(&[entry], place).await?,
        None => catalogue.put(&[entry]).await?,
    };
    if let Some(place) = place.filter(|_| sends) {
        let limits = Limits { connect: PATIENCE, ..Limits::default() };
        match catalogue.publish_within(&place, limits).await {
            Ok(published) => tracing::info!(%place, sent = published.sent, "published"),
            Err(error) => {
                aside!("wattproof: not published yet: {error}; it waits, `wattproof publish` sends it");
            }
        }
    }
    catalogue.close().await;
    Ok(())
}
