//! Sends what waits in the catalogue to the database of several benches, for as long as the daemon runs. Runs only queue
//! what they leave, so a database that does not answer slows none of them.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use wattproof_catalogue::{Catalogue, Error, Place};

/// Between two looks.
const LOOK_EACH: Duration = Duration::from_secs(10);
/// Longest between two tries of a database that does not answer.
const TRY_EACH_MAX: Duration = Duration::from_secs(600);

/// A database that did not answer.
struct Failing {
    /// When it is tried again.
    next: Instant,
    /// How long was waited last.
    waited: Duration,
}

/// Sends until `ending` says so.
pub async fn keep_publishing(results: PathBuf, ending: CancellationToken) {
    let mut failing: BTreeMap<String, Failing> = BTreeMap::new();
    loop {
        tokio::select! {
            () = ending.cancelled() => return,
            () = tokio::time::sleep(LOOK_EACH) => {}
        }
        let place = Place::of_runs(&results);
        if !place.path().is_some_and(|file| file.exists()) {
            continue;
        }
        tokio::select! {
            () = ending.cancelled() => return,
            done = send(&place, &mut failing) => {
                if let Err(error) = done {
                    tracing::warn!(%error, "what waits to be published can't be looked up");
                }
            }
        }
    }
}

/// Sends what waits for each database that is not to be left alone yet.
async fn send(place: &Place, failing: &mut BTreeMap<String, Failing>) -> Result<(), Error> {
    let catalogue = Catalogue::open(place).await?;
    for waiting in catalogue.waiting().await? {
        let rests = failing.get(&waiting.place).is_some_and(|one| one.next > Instant::now());
        if waiting.entries == 0 || rests {
            continue;
        }
        match publish(&catalogue, &waiting.place).await {
            Ok(sent) => {
                failing.remove(&waiting.place);
                tracing::info!(to = waiting.place, sent, "published");
            }
            Err(error) => {
                let before = failing.get(&waiting.place).map_or(LOOK_EACH, |one| one.waited);
                let waited = (2 * before).min(TRY_EACH_MAX);
                tracing::warn!(%error, waiting = waiting.entries, again_s = waited.as_secs(), "not published yet");
                failing.insert(waiting.place, Failing { next: Instant::now() + waited, waited });
            }
        }
    }
    catalogue.close().await;
    Ok(())
}

async fn publish(catalogue: &Catalogue, to: &str) -> Result<u64, Error> {
    Ok(catalogue.publish(&Place::parse(to)?).await?.sent)
}
