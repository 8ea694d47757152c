//! Putting entries, and taking out those whose folders are gone.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::catalogue::{Catalogue, For};
use crate::entry::Entry;
use crate::error::Result;
use crate::fit::{Fitted, fitted};
use crate::tables::{RUN, Rows, by_keys, run_row};
use crate::wire::{self, Tx};

/// What became of the entries that were put.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Put {
    /// Runs that were not there.
    pub new: u64,
    /// Runs of which something older was there, or something else of the same age.
    pub replaced: u64,
    /// Entries that changed nothing: the same or something newer was there, or in the same batch.
    pub kept: u64,
}

/// What tells whether a run is still as it was put.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct State {
    /// Key of the run.
    pub key: String,
    /// Lines of its journal.
    pub lines: u64,
    /// Hash over all of its journal.
    pub chain: String,
    /// Its name.
    pub run: String,
    /// Where its folder was.
    pub folder: String,
}

impl Catalogue {
    /// Puts entries, all or none. An entry replaces that of the same key, unless that is newer: has more lines.
    ///
    /// # Errors
    /// [`crate::Error::Unfit`] of an entry that can't be kept, and those of the database; then none was put.
    pub async fn put(&self, entries: &[Entry]) -> Result<Put> {
        let what = "putting runs into the catalogue";
        let fit = entries.iter().map(fitted).collect::<Result<Vec<_>>>()?;
        if fit.is_empty() {
            return Ok(Put::default());
        }
        let mut tx = self.begin(what, For::Writing).await?;
        let done = put_in(&mut tx, fit).await?;
        tx.commit(what).await?;
        Ok(done)
    }

    /// Takes out a run; whether it was there.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn forget(&self, key: &str) -> Result<bool> {
        let what = "taking a run out of the catalogue";
        let mut tx = self.begin(what, For::Writing).await?;
        // What hangs on it goes with it.
        let gone = tx.change(what, "DELETE FROM run WHERE key = $1", vec![key.into()]).await?;
        tx.commit(what).await?;
        Ok(gone > 0)
    }

    /// What is there of every run, in order of keys.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn all_state(&self) -> Result<Vec<State>> {
        let what = "asking which runs are in the catalogue";
        let mut tx = self.begin(what, For::Reading).await?;
        let sql = "SELECT key, lines, chain, run, folder FROM run ORDER BY key";
        let rows = tx.rows(what, sql, Vec::new()).await?;
        tx.commit(what).await?;
        let state = rows.iter().map(|row| {
            Ok(State {
                key: wire::text(row, "key")?,
                lines: wire::count(row, "lines")?,
                chain: wire::text(row, "chain")?,
                run: wire::text(row, "run")?,
                folder: wire::text(row, "folder")?,
            })
        });
        state.collect::<std::result::Result<_, _>>().map_err(|error| wire::failed(self.place(), what, &error))
    }
}

/// Puts entries within a transaction. Runs are written in order of their keys, so that two who write the same ones at
/// once wait for each other in turn.
pub(crate) async fn put_in(tx: &mut Tx<'_>, entries: Vec<Fitted>) -> Result<Put> {
    let what = "putting runs into the catalogue";
    let mut done = Put::default();
    let mut best: BTreeMap<String, Fitted> = BTreeMap::new();
    for fit in entries {
        let newer = best.get(&fit.entry.key).is_some_and(|other| other.entry.lines > fit.entry.lines);
        if newer || best.insert(fit.entry.key.clone(), fit).is_some() {
            done.kept += 1;
        }
    }
    let runs = best.values().map(|fit| run_row(&fit.entry, &fit.digest)).collect();
    let (mut written, mut old) = (Vec::new(), Vec::new());
    for (sql, values) in RUN.upserts(runs) {
        for row in tx.rows(what, sql, values).await? {
            let told = wire::text(&row, "key").and_then(|key| Ok((key, wire::count(&row, "revision")?)));
            let (key, revision) = told.map_err(|error| wire::failed(tx.place, what, &error))?;
            if revision > 1 {
                old.push(key.clone());
            }
            written.push(key);
        }
    }
    for table in ["rating", "finding", "instrument", "file"] {
        for (numbers, keys) in by_keys(&old) {
            let sql = format!("DELETE FROM {table} WHERE run_key IN ({numbers})");
            tx.change(what, sql, keys).await?;
        }
    }
    done.kept += (best.len() - written.len()) as u64;
    done.replaced = old.len() as u64;
    done.new = written.len() as u64 - done.replaced;
    let mut rows = Rows::default();
    written.iter().filter_map(|key| best.get(key)).for_each(|fit| rows.add(&fit.entry));
    for (sql, values) in rows.inserts() {
        tx.change(what, sql, values).await?;
    }
    Ok(done)
}
