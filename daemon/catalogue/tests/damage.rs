//! A catalogue that is no good is noticed when it is opened, said with what to do, and made anew without losing what was
//! there. The layout of SQLite's files: <https://www.sqlite.org/fileformat2.html>. The rest is project definition.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod support;

use std::fs;
use std::path::{Path, PathBuf};

use support::cluster::Cluster;
use support::{folder, invented, on_tokio, python};
use wattproof_catalogue::{Catalogue, Entry, Error, Place, Question};

/// Bytes that look like nothing, the same every time.
fn noise(bytes: usize, mut state: u64) -> Vec<u8> {
    (0..bytes)
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 56) as u8
        })
        .collect()
}

/// A whole file of a catalogue with runs in it, closed.
async fn whole(folder: &Path) -> PathBuf {
    let file = folder.join("catalogue.db");
    let catalogue = Catalogue::open(&Place::file(&file)).await.unwrap();
    catalogue.put(&(1..=60).map(invented::run).collect::<Vec<_>>()).await.unwrap();
    catalogue.close().await;
    assert!(!folder.join("catalogue.db-wal").exists(), "all of it is in its file once it is closed");
    file
}

/// What opening it and looking through it says.
async fn opened(file: &Path) -> Result<u64, Error> {
    let catalogue = Catalogue::open(&Place::file(file)).await?;
    let checked = catalogue.check().await;
    let counted = catalogue.count(&Question::default()).await;
    catalogue.close().await;
    checked.and(counted)
}

/// It is made anew, empty and of use; what was there is kept to the byte.
async fn heals(file: &Path) {
    let before = fs::read(file).unwrap();
    let (catalogue, kept) = Catalogue::rebuild(&Place::file(file)).await.unwrap();
    let kept = kept.unwrap();
    assert!(
        kept.file_name().unwrap().to_string_lossy().starts_with("catalogue.db.aside-2"),
        "{}",
        kept.display()
    );
    assert_eq!(fs::read(kept).unwrap(), before);
    assert_eq!(catalogue.count(&Question::default()).await.unwrap(), 0);
    catalogue.put(&[invented::run(1)]).await.unwrap();
    catalogue.check().await.unwrap();
    catalogue.close().await;
    assert_eq!(opened(file).await.unwrap(), 1);
}

#[test]
fn a_damaged_file_is_noticed_and_made_anew() {
    on_tokio(async {
        let first = folder();
        let good = fs::read(whole(first.path()).await).unwrap();
        let page = usize::from(u16::from_be_bytes([good[16], good[17]]));
        let garbage = |from: usize, to: usize| {
            let mut bytes = good.clone();
            bytes[from..to].copy_from_slice(&noise(to - from, from as u64));
            bytes
        };
        let cases: Vec<(&str, Vec<u8>)> = vec![
            ("noise", noise(20_000, 1)),
            ("a text", b"This is not a database. ".repeat(200)),
            ("a few bytes", good[..60].to_vec()),
            ("the header alone", good[..100].to_vec()),
            ("one page", good[..page].to_vec()),
            ("half of it", good[..good.len() / 2].to_vec()),
            ("the last page is missing", good[..good.len() - page].to_vec()),
            ("half of the last page is missing", good[..good.len() - page / 2].to_vec()),
            ("the list of tables is noise", garbage(100, page)),
            ("a page in the middle is noise", garbage(page * 4, page * 5)),
            ("all but the first page is noise", garbage(page, good.len())),
        ];
        for (name, bytes) in cases {
            let folder = folder();
            let file = folder.path().join("catalogue.db");
            fs::write(&file, bytes).unwrap();
            let error = opened(&file).await.unwrap_err();
            assert!(matches!(error, Error::Damaged { .. }), "{name}: {error}");
            let said = error.to_string();
            assert!(said.contains(file.to_str().unwrap()) && said.contains("make it anew"), "{name}: {said}");
            heals(&file).await;
        }
    });
}

#[test]
fn noise_anywhere_is_damage_or_harmless() {
    on_tokio(async {
        let first = folder();
        let good = fs::read(whole(first.path()).await).unwrap();
        let mut noticed = 0;
        for turn in 0..60_u64 {
            let at = noise(8, turn);
            let at = u64::from_le_bytes(at.try_into().unwrap()) as usize % (good.len() - 64);
            let mut bytes = good.clone();
            bytes[at..at + 64].copy_from_slice(&noise(64, turn + 1000));
            let folder = folder();
            let file = folder.path().join("catalogue.db");
            fs::write(&file, bytes).unwrap();
            match opened(&file).await {
                // Of what a text says SQLite keeps no check sum.
                Ok(_) => {}
                Err(Error::Damaged { .. } | Error::Foreign { .. }) => noticed += 1,
                Err(other) => panic!("noise at {at}: {other}"),
            }
        }
        assert!(noticed > 20, "{noticed} of 60 were noticed");
    });
}

#[test]
fn a_file_that_is_no_catalogue_of_this_program_is_told_apart() {
    on_tokio(async {
        let foreign = folder();
        let file = foreign.path().join("catalogue.db");
        python::sqlite(&file, &["CREATE TABLE recipes (name TEXT)"]);
        let before = fs::read(&file).unwrap();
        let error = opened(&file).await.unwrap_err();
        assert!(matches!(error, Error::Foreign { .. }), "{error}");
        assert_eq!(fs::read(&file).unwrap(), before, "it was not touched");
        heals(&file).await;

        let newer = folder();
        let file = whole(newer.path()).await;
        let step = "INSERT INTO catalogue_version VALUES (99, 'later', '2031-01-01', 1, x'00', 0)";
        python::sqlite(&file, &[step]);
        let error = opened(&file).await.unwrap_err();
        assert!(matches!(error, Error::Newer { found: 99, known: 2, .. }), "{error}");
        heals(&file).await;

        let changed = folder();
        let file = whole(changed.path()).await;
        python::sqlite(&file, &["UPDATE catalogue_version SET checksum = x'00' WHERE version = 1"]);
        let error = opened(&file).await.unwrap_err();
        assert!(matches!(error, Error::Foreign { .. }), "{error}");
        heals(&file).await;

        for missing in ["DROP TABLE finding", "ALTER TABLE rating DROP COLUMN cause", "DROP TABLE outbox"] {
            let changed = folder();
            let file = whole(changed.path()).await;
            python::sqlite(&file, &["DROP INDEX rating_cause", missing]);
            let error = opened(&file).await.unwrap_err();
            assert!(matches!(error, Error::Damaged { .. }), "{missing}: {error}");
            heals(&file).await;
        }
    });
}

#[test]
fn what_was_written_last_is_kept_with_the_file() {
    on_tokio(async {
        let folder = folder();
        let file = whole(folder.path()).await;
        // A program that was killed leaves its log beside the file.
        let open = Catalogue::open(&Place::file(&file)).await.unwrap();
        open.put(&[Entry { steps: 4711, lines: 9999, ..invented::run(1) }]).await.unwrap();
        let log = folder.path().join("catalogue.db-wal");
        let (bytes, logged) = (fs::read(&file).unwrap(), fs::read(&log).unwrap());
        open.close().await;
        fs::write(&file, bytes).unwrap();
        fs::write(&log, logged).unwrap();
        let (fresh, kept) = Catalogue::rebuild(&Place::file(&file)).await.unwrap();
        fresh.close().await;
        let old = Catalogue::open(&Place::file(&kept.unwrap())).await.unwrap();
        assert_eq!(old.entry(&invented::run(1).key).await.unwrap().unwrap().steps, 4711);
    });
}

#[test]
fn an_empty_or_missing_file_becomes_a_catalogue() {
    on_tokio(async {
        let folder = folder();
        let file = folder.path().join("a name with ? # % 100%25 and ü.db");
        let (catalogue, kept) = Catalogue::rebuild(&Place::file(&file)).await.unwrap();
        assert_eq!(kept, None);
        catalogue.put(&[invented::run(1)]).await.unwrap();
        catalogue.close().await;
        assert!(file.is_file());
        fs::write(&file, b"").unwrap();
        assert_eq!(opened(&file).await.unwrap(), 0);
        let error = opened(&folder.path().join("no such folder").join("catalogue.db")).await.unwrap_err();
        assert!(matches!(error, Error::File { .. }), "{error}");
        let error = opened(folder.path()).await.unwrap_err();
        assert!(matches!(error, Error::Unreachable { .. }), "{error}");
    });
}

#[test]
fn two_programs_may_open_a_new_file_at_once() {
    on_tokio(async {
        for _ in 0..10 {
            let folder = folder();
            let place = Place::file(&folder.path().join("catalogue.db"));
            let (a, b, c) =
                tokio::join!(Catalogue::open(&place), Catalogue::open(&place), Catalogue::open(&place));
            let (a, b, c) = (a.unwrap(), b.unwrap(), c.unwrap());
            a.put(&[invented::run(1)]).await.unwrap();
            b.put(&[invented::run(2)]).await.unwrap();
            assert_eq!(c.count(&Question::default()).await.unwrap(), 2);
        }
    });
}

#[test]
fn a_database_of_a_server_that_is_no_good_is_told_apart() {
    let Some(cluster) = Cluster::start() else { return };
    on_tokio(async {
        let place = cluster.place("changed");
        let (a, b) = tokio::join!(Catalogue::open(&place), Catalogue::open(&place));
        a.unwrap().close().await;
        b.unwrap().close().await;
        cluster.psql_in("changed", "DROP TABLE finding");
        let error = Catalogue::open(&place).await.unwrap_err();
        assert!(matches!(error, Error::Damaged { .. }), "{error}");

        let place = cluster.place("newer");
        Catalogue::open(&place).await.unwrap().close().await;
        let step = "INSERT INTO catalogue_version VALUES (99, 'later', now(), true, '', 0)";
        cluster.psql_in("newer", step);
        let error = Catalogue::open(&place).await.unwrap_err();
        assert!(matches!(error, Error::Newer { found: 99, known: 2, .. }), "{error}");

        let latin =
            "CREATE DATABASE latin ENCODING 'LATIN1' LOCALE_PROVIDER libc LOCALE 'C' TEMPLATE template0";
        cluster.psql_in("postgres", latin);
        let error = Catalogue::open(&cluster.address("latin")).await.unwrap_err();
        assert!(matches!(error, Error::Foreign { .. }) && error.to_string().contains("LATIN1"), "{error}");

        let error = Catalogue::rebuild(&place).await.unwrap_err();
        assert!(matches!(error, Error::Place { .. }), "{error}");
    });
}
