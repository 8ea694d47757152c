//! The outbox: entries that wait to be published, written together with what they tell.

use serde::{Deserialize, Serialize};

use crate::catalogue::{Catalogue, For};
use crate::entry::Entry;
use crate::error::{Error, Result};
use crate::fit::{Fitted, fitted};
use crate::place::Place;
use crate::put::{Put, put_in};
use crate::tables::OUTBOX;
use crate::whole::entries_in;
use crate::wire::{self, Tx, Value};

/// What waits for a place.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Waiting {
    /// For which place, without its password.
    pub place: String,
    /// How many entries.
    pub entries: u64,
    /// Whether that place once knew less than it had been sent, and not every run was queued for it since.
    pub behind: bool,
}

/// Runs queued in one go by [`Catalogue::publish_all`].
const GO: usize = 500;

impl Catalogue {
    /// Puts entries and queues them for a place, all or none. They are sent by [`Catalogue::publish`].
    ///
    /// # Errors
    /// Those of [`Catalogue::put`].
    pub async fn put_and_publish(&self, entries: &[Entry], place: &Place) -> Result<Put> {
        let what = "putting runs into the catalogue";
        let fit = entries.iter().map(fitted).collect::<Result<Vec<_>>>()?;
        if fit.is_empty() {
            return Ok(Put::default());
        }
        let mut tx = self.begin(what, For::Writing).await?;
        queue(&mut tx, &fit, place).await?;
        let done = put_in(&mut tx, fit).await?;
        tx.commit(what).await?;
        Ok(done)
    }

    /// Queues every run for a place, instead of what waits for it: where it lost what it was sent, or never got any.
    /// Gives back how many.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn publish_all(&self, place: &Place) -> Result<u64> {
        let what = "queueing every run";
        let mut tx = self.begin(what, For::Writing).await?;
        let name = || Value::from(&place.to_string());
        tx.change(what, "DELETE FROM outbox WHERE place = $1", vec![name()]).await?;
        tx.change(what, "UPDATE sent SET behind = 0 WHERE place = $1", vec![name()]).await?;
        let rows = tx.rows(what, "SELECT key FROM run ORDER BY started_utc, key", Vec::new()).await?;
        let keys = rows.iter().map(|row| wire::text(row, "key")).collect::<std::result::Result<Vec<_>, _>>();
        let keys = keys.map_err(|error| wire::failed(self.place(), what, &error))?;
        for keys in keys.chunks(GO) {
            let entries = entries_in(&mut tx, keys).await?;
            let entries = entries.iter().map(fitted).collect::<Result<Vec<_>>>()?;
            queue(&mut tx, &entries, place).await?;
        }
        tx.commit(what).await?;
        Ok(keys.len() as u64)
    }

    /// What waits, by place; places that were sent everything included.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn waiting(&self) -> Result<Vec<Waiting>> {
        let what = "looking into the outbox";
        let mut tx = self.begin(what, For::Reading).await?;
        let sql = "SELECT places.place AS place, \
             (SELECT COUNT(*) FROM outbox WHERE outbox.place = places.place) AS entries, \
             COALESCE((SELECT behind FROM sent WHERE sent.place = places.place), 0) AS behind \
             FROM (SELECT place FROM outbox UNION SELECT place FROM sent) AS places ORDER BY places.place";
        let rows = tx.rows(what, sql, Vec::new()).await?;
        tx.commit(what).await?;
        let waiting = rows.iter().map(|row| {
            Ok(Waiting {
                place: wire::text(row, "place")?,
                entries: wire::count(row, "entries")?,
                behind: wire::flag(row, "behind")?,
            })
        });
        waiting
            .collect::<std::result::Result<_, _>>()
            .map_err(|error| wire::failed(self.place(), what, &error))
    }
}

/// Sixteen characters that nobody else has.
pub(crate) fn random(place: &Place) -> Result<String> {
    let number = getrandom::u64().map_err(|error| Error::Failed {
        place: place.to_string(),
        what: "drawing a random number",
        why: error.to_string(),
    })?;
    Ok(format!("{number:016x}"))
}

/// Queues entries within a transaction.
async fn queue(tx: &mut Tx<'_>, entries: &[Fitted], place: &Place) -> Result<()> {
    let what = "queueing runs to be published";
    let id = random(tx.place)?;
    tx.change(
        what,
        "INSERT INTO source (one, id, last_seq) VALUES (1, $1, 0) ON CONFLICT (one) DO NOTHING",
        vec![(&id).into()],
    )
    .await?;
    let number = entries.len() as u64;
    // Numbers are never given twice, not even when the outbox is empty: whoever got them counts on that.
    let sql = "UPDATE source SET last_seq = last_seq + $1 WHERE one = 1 RETURNING last_seq";
    let rows = tx.rows(what, sql, vec![number.into()]).await?;
    let last = rows.first().map_or(Ok(0), |row| wire::count(row, "last_seq"));
    let last = last.map_err(|error| wire::failed(tx.place, what, &error))?;
    let mut queued = Vec::new();
    for (seq, Fitted { entry, .. }) in (last.saturating_sub(number) + 1..).zip(entries) {
        let told = serde_json::to_string(entry)
            .map_err(|error| Error::Unfit { key: entry.key.clone(), why: error.to_string() })?;
        let mark = random(tx.place)?;
        let name = Value::from(&place.to_string());
        queued.push(vec![seq.into(), name, (&entry.key).into(), (&mark).into(), (&told).into()]);
    }
    for (sql, values) in OUTBOX.inserts(queued) {
        tx.change(what, sql, values).await?;
    }
    Ok(())
}
