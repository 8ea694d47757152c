//! The tables as other programs read them: the README's questions, asked by Python's sqlite3 module and by psql, give what
//! the catalogue itself says. Outside checks: both programs and their databases; the questions are this crate's README.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod support;

use serde_json::{Value, json};
use support::cluster::Cluster;
use support::{folder, invented, on_tokio, python};
use wattproof_catalogue::{Catalogue, Entry, Measured, Place, Question, Wanted};

/// The README's questions, in order.
fn questions() -> Vec<String> {
    let text = include_str!("../README.md");
    let blocks = text.split("```sql\n").skip(1).map(|rest| rest.split("```").next().unwrap());
    blocks.map(|block| block.trim().trim_end_matches(';').to_owned()).collect()
}

/// Whole and other numbers alike, since one database writes 100 where the other writes 100.0.
fn plain(value: &Value) -> Value {
    match value {
        Value::Array(values) => values.iter().map(plain).collect(),
        Value::Number(number) => json!(number.as_f64()),
        other => other.clone(),
    }
}

fn entries() -> Vec<Entry> {
    let mut entries: Vec<Entry> = (1..=150).map(invented::run).collect();
    entries[3].price = Some(f64::NAN);
    entries[3].ratings[0].measured = Some(f64::INFINITY);
    entries[5].findings[1].value = f64::NAN;
    entries[6].serial = Some("O'Größe \"1\"".to_owned());
    entries
}

/// What the catalogue says to each of the README's questions.
async fn own_answers(catalogue: &Catalogue, entries: &[Entry]) -> Vec<Value> {
    let history = catalogue.history("SN0012", None, None).await.unwrap();
    let history = history.iter().map(|brief| {
        let told = (&brief.run, &brief.started_utc, &brief.verdict, brief.ratings, brief.ratings_short);
        json!([told.0, told.1, told.2, told.3, told.4, brief.ratio_db_min])
    });
    let text = |text: &str| Some(text.to_owned());
    let question = Question { verdict: text("short"), cause: text("sag"), ..Question::default() };
    let mut short: Vec<_> = catalogue.find(&question).await.unwrap();
    short.sort_by(|a, b| a.key.cmp(&b.key));
    let short = short.iter().map(|brief| json!([brief.key, brief.run]));
    let population =
        catalogue.population("Invented Maker", "Invented Example 102", "script0.rhai").await.unwrap();
    let of_finding = |row: &Measured| {
        let told = (&row.serial, &row.name, row.channel, &row.unit, &row.at);
        json!([told.0, told.1, told.2, told.3, told.4, row.value, row.expanded_u])
    };
    let population = population.iter().filter(|row| row.rating.is_none()).map(of_finding);
    let in_2031 = Question { from_utc: text("2031"), to_utc: text("2031"), ..Question::default() };
    let mut keys: Vec<String> =
        catalogue.find(&in_2031).await.unwrap().into_iter().map(|brief| brief.key).collect();
    keys.sort();
    let mut powers = Vec::new();
    for entry in catalogue.entries(&keys).await.unwrap() {
        for rating in &entry.ratings {
            let clean = rating.clean.iter().filter(|clean| clean.limit_pct == 1.0);
            powers.extend(clean.map(|clean| json!([entry.key, entry.price, rating.rating, clean.delivered])));
        }
    }
    let bytes = entries.len() * 678;
    let much = json!([[entries.len(), entries.len() * 2, entries.len() * 3, bytes]]);
    vec![history.collect(), short.collect(), population.collect(), powers.into(), much]
}

#[test]
fn other_programs_read_the_same_from_sqlite() {
    on_tokio(async {
        let folder = folder();
        let file = folder.path().join("catalogue.db");
        let catalogue = Catalogue::open(&Place::file(&file)).await.unwrap();
        let entries = entries();
        catalogue.put(&entries).await.unwrap();
        let own = own_answers(&catalogue, &entries).await;
        catalogue.close().await;
        assert_eq!(questions().len(), own.len());
        for (question, own) in questions().iter().zip(&own) {
            let theirs = python::sqlite(&file, &[question]);
            assert_eq!(plain(&theirs), plain(own), "{question}");
            assert!(own.as_array().is_some_and(|rows| !rows.is_empty()), "{question}");
        }
        let absent = "SELECT (SELECT COUNT(*) FROM run WHERE price IS NULL), \
             (SELECT COUNT(*) FROM finding WHERE value IS NULL), (SELECT COUNT(*) FROM rating WHERE measured > 1e300)";
        assert_eq!(python::sqlite(&file, &[absent]), json!([[1, 1, 0]]));
        let mode = python::sqlite(&file, &["PRAGMA journal_mode"]);
        assert_eq!(mode, json!([["wal"]]));
        assert_eq!(python::sqlite(&file, &["PRAGMA integrity_check"]), json!([["ok"]]));
        assert_eq!(python::sqlite(&file, &["PRAGMA foreign_key_check"]), json!([]));
    });
}

#[test]
fn other_programs_read_the_same_from_postgresql() {
    let Some(cluster) = Cluster::start() else { return };
    on_tokio(async {
        let catalogue = Catalogue::open(&cluster.place("runs")).await.unwrap();
        let entries = entries();
        catalogue.put(&entries).await.unwrap();
        let own = own_answers(&catalogue, &entries).await;
        for (question, own) in questions().iter().zip(&own) {
            // A line of its own, since its comment would swallow what follows in one line.
            let rows = format!(
                "SELECT coalesce(json_agg((SELECT json_agg(value) FROM json_each(row_to_json(asked)))), '[]') \
                 FROM (\n{question}\n) AS asked"
            );
            let theirs: Value = serde_json::from_str(&cluster.psql_in("runs", &rows)).unwrap();
            assert_eq!(plain(&theirs), plain(own), "{question}");
        }
        let absent = "SELECT (SELECT count(*) FROM run WHERE price IS NULL), \
             (SELECT count(*) FROM finding WHERE value IS NULL), (SELECT count(*) FROM rating WHERE measured > 1e300)";
        assert_eq!(cluster.psql_in("runs", absent), "1|1|0");
        let unlike = "SELECT count(*) FROM information_schema.columns WHERE table_schema = 'public' \
             AND table_name <> 'catalogue_version' AND data_type = 'text' AND collation_name IS DISTINCT FROM 'C'";
        assert_eq!(cluster.psql_in("runs", unlike), "0");
    });
}

#[test]
fn text_is_found_as_python_finds_it() {
    on_tokio(async {
        let folder = folder();
        let file = folder.path().join("catalogue.db");
        let catalogue = Catalogue::open(&Place::file(&file)).await.unwrap();
        catalogue.put(&entries()).await.unwrap();
        let model = Some(Wanted::Containing("EXAMPLE 10".to_owned()));
        let question = Question { model, serial: Some("O'Größe \"1\"".to_owned()), ..Question::default() };
        let found = catalogue.find(&question).await.unwrap();
        let theirs =
            "SELECT key FROM run WHERE serial = 'O''Größe \"1\"' AND instr(lower(model), 'example 10') > 0";
        assert_eq!(python::sqlite(&file, &[theirs]), json!([[found[0].key]]));
    });
}
