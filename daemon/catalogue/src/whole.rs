//! Giving back whole entries.

use std::collections::HashMap;

use sqlx::any::AnyRow;

use crate::catalogue::{Catalogue, For};
use crate::entry::{CleanPower, Entry, FileEntry, FindingEntry, InstrumentEntry, RatingEntry};
use crate::error::Result;
use crate::tables::{CLEAN, FILE, FINDING, INSTRUMENT, RATING, RUN, Table, by_keys};
use crate::wire::{self, Tx, Value};

type Read<T> = std::result::Result<T, sqlx::Error>;

impl Catalogue {
    /// All that is told of a run, if it is there.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn entry(&self, key: &str) -> Result<Option<Entry>> {
        Ok(self.entries(&[key.to_owned()]).await?.pop())
    }

    /// The same of several, in the order of the keys. Those that are not there are left out.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn entries(&self, keys: &[String]) -> Result<Vec<Entry>> {
        let what = "reading runs of the catalogue";
        if keys.is_empty() {
            return Ok(Vec::new());
        }
        let mut tx = self.begin(what, For::Reading).await?;
        let found = entries_in(&mut tx, keys).await?;
        tx.commit(what).await?;
        Ok(found)
    }
}

/// Reads entries within a transaction.
pub(crate) async fn entries_in(tx: &mut Tx<'_>, keys: &[String]) -> Result<Vec<Entry>> {
    let mut found: HashMap<String, Entry> = HashMap::new();
    for (numbers, keys) in by_keys(keys) {
        read(tx, &numbers, &keys, &mut found).await?;
    }
    Ok(keys.iter().filter_map(|key| found.get(key).cloned()).collect())
}

async fn read(
    tx: &mut Tx<'_>,
    numbers: &str,
    keys: &[Value],
    found: &mut HashMap<String, Entry>,
) -> Result<()> {
    let failed = |place, error: sqlx::Error| wire::failed(place, "reading runs of the catalogue", &error);
    for row in rows(tx, &RUN, "key", "", (numbers, keys)).await? {
        let entry = entry(&row).map_err(|error| failed(tx.place, error))?;
        found.insert(entry.key.clone(), entry);
    }
    for row in rows(tx, &RATING, "run_key", ", nth", (numbers, keys)).await? {
        let (key, rating) = rating(&row).map_err(|error| failed(tx.place, error))?;
        found.entry(key).and_modify(|entry| entry.ratings.push(rating));
    }
    for row in rows(tx, &CLEAN, "run_key", ", rating_nth, nth", (numbers, keys)).await? {
        let (key, nth, clean) = clean(&row).map_err(|error| failed(tx.place, error))?;
        let rating = found.get_mut(&key).and_then(|entry| entry.ratings.get_mut(nth.saturating_sub(1)));
        if let Some(rating) = rating {
            rating.clean.push(clean);
        }
    }
    for row in rows(tx, &FINDING, "run_key", ", nth", (numbers, keys)).await? {
        let (key, finding) = finding(&row).map_err(|error| failed(tx.place, error))?;
        found.entry(key).and_modify(|entry| entry.findings.push(finding));
    }
    for row in rows(tx, &INSTRUMENT, "run_key", ", nth", (numbers, keys)).await? {
        let (key, instrument) = instrument(&row).map_err(|error| failed(tx.place, error))?;
        found.entry(key).and_modify(|entry| entry.instruments.push(instrument));
    }
    for row in rows(tx, &FILE, "run_key", ", nth", (numbers, keys)).await? {
        let (key, file) = file(&row).map_err(|error| failed(tx.place, error))?;
        found.entry(key).and_modify(|entry| entry.files.push(file));
    }
    Ok(())
}

async fn rows(
    tx: &mut Tx<'_>,
    table: &Table,
    column: &str,
    then: &str,
    (numbers, keys): (&str, &[Value]),
) -> Result<Vec<AnyRow>> {
    let (name, list) = (table.name, table.list());
    let sql = format!("SELECT {list} FROM {name} WHERE {column} IN ({numbers}) ORDER BY {column}{then}");
    tx.rows("reading runs of the catalogue", sql, keys.to_vec()).await
}

fn entry(row: &AnyRow) -> Read<Entry> {
    Ok(Entry {
        key: wire::text(row, "key")?,
        lines: wire::count(row, "lines")?,
        chain: wire::text(row, "chain")?,
        run: wire::text(row, "run")?,
        folder: wire::text(row, "folder")?,
        bench: wire::text(row, "bench")?,
        maker: wire::text(row, "maker")?,
        model: wire::text(row, "model")?,
        serial: wire::text_or_none(row, "serial")?,
        invented: wire::flag(row, "invented")?,
        golden: wire::flag(row, "golden")?,
        price: wire::real_or_none(row, "price")?,
        currency: wire::text_or_none(row, "currency")?,
        script: wire::text(row, "script")?,
        script_sha256: wire::text(row, "script_sha256")?,
        operator: wire::text_or_none(row, "operator")?,
        started_utc: wire::text(row, "started_utc")?,
        ended_utc: wire::text_or_none(row, "ended_utc")?,
        outcome: wire::text_or_none(row, "outcome")?,
        error: wire::text_or_none(row, "error")?,
        verdict: wire::text_or_none(row, "verdict")?,
        steps: wire::count(row, "steps")?,
        gaps: wire::count(row, "gaps")?,
        gap_s: wire::real_or_none(row, "gap_s")?,
        calibration: wire::text_or_none(row, "calibration")?,
        selfcheck: wire::text_or_none(row, "selfcheck")?,
        wattproof_version: wire::text(row, "wattproof_version")?,
        ratings: Vec::new(),
        findings: Vec::new(),
        instruments: Vec::new(),
        files: Vec::new(),
    })
}

fn rating(row: &AnyRow) -> Read<(String, RatingEntry)> {
    let rating = RatingEntry {
        rating: wire::count(row, "rating")?,
        rated: wire::real_or_none(row, "rated")?,
        measured: wire::real_or_none(row, "measured")?,
        expanded_u: wire::real_or_none(row, "expanded_u")?,
        unit: wire::text(row, "unit")?,
        ratio_db: wire::real_or_none(row, "ratio_db")?,
        load_ohm: wire::real(row, "load_ohm")?,
        supply_v: wire::real(row, "supply_v")?,
        hz: wire::real(row, "hz")?,
        driven: wire::text(row, "driven")?,
        limit_by: wire::text(row, "limit_by")?,
        limit_pct: wire::real(row, "limit_pct")?,
        verdict: wire::text_or_none(row, "verdict")?,
        cause: wire::text_or_none(row, "cause")?,
        out_vrms: wire::real_or_none(row, "out_vrms")?,
        efficiency_pct: wire::real_or_none(row, "efficiency_pct")?,
        heatsink_c: wire::real_or_none(row, "heatsink_c")?,
        not_measured: wire::text_or_none(row, "not_measured")?,
        clean: Vec::new(),
    };
    Ok((wire::text(row, "run_key")?, rating))
}

fn clean(row: &AnyRow) -> Read<(String, usize, CleanPower)> {
    let nth = usize::try_from(wire::count(row, "rating_nth")?).unwrap_or(usize::MAX);
    let clean =
        CleanPower { limit_pct: wire::real(row, "limit_pct")?, delivered: wire::real(row, "delivered")? };
    Ok((wire::text(row, "run_key")?, nth, clean))
}

fn finding(row: &AnyRow) -> Read<(String, FindingEntry)> {
    let finding = FindingEntry {
        finding: wire::count(row, "finding")?,
        name: wire::text(row, "name")?,
        channel: wire::count_or_none(row, "channel")?,
        value: wire::real(row, "value")?,
        unit: wire::text(row, "unit")?,
        expanded_u: wire::real_or_none(row, "expanded_u")?,
        at: wire::text(row, "at")?,
        low: wire::real_or_none(row, "low")?,
        high: wire::real_or_none(row, "high")?,
        verdict: wire::text_or_none(row, "verdict")?,
        note: wire::text(row, "note")?,
    };
    Ok((wire::text(row, "run_key")?, finding))
}

fn instrument(row: &AnyRow) -> Read<(String, InstrumentEntry)> {
    let instrument = InstrumentEntry {
        role: wire::text(row, "role")?,
        idn: wire::text(row, "idn")?,
        dialect: wire::text(row, "dialect")?,
    };
    Ok((wire::text(row, "run_key")?, instrument))
}

fn file(row: &AnyRow) -> Read<(String, FileEntry)> {
    let file = FileEntry {
        name: wire::text(row, "name")?,
        bytes: wire::count(row, "bytes")?,
        sha256: wire::text_or_none(row, "sha256")?,
    };
    Ok((wire::text(row, "run_key")?, file))
}
