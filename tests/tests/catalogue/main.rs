//! The catalogue as a user has it: runs put into it as they end, found again, made anew, published for several benches.
//!
//! What is found is compared with the runs' own tables, and with what PostgreSQL's own client says (another program).

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

#[path = "../bench/mod.rs"]
mod bench;
#[allow(dead_code, reason = "the catalogue's own tests use the rest")]
#[path = "../../../daemon/catalogue/tests/support/cluster.rs"]
mod cluster;

mod publish;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use bench::{FIRST_RATING, Served, number, root, rows, said, wattproof};
use serde_json::Value;

/// A folder that other users may enter.
pub fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let open = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    std::fs::set_permissions(folder.path(), open).unwrap();
    folder
}

/// A recorded run of an invented amplifier, put into a folder of runs under a name.
pub fn recorded(results: &Path, fixture: &str, name: &str) -> PathBuf {
    let (from, to) = (root().join("daemon/report/tests/fixture").join(fixture), results.join(name));
    let copied = Command::new("cp").arg("-r").arg(from).arg(&to).status().unwrap();
    assert!(copied.success());
    to
}

/// A command over a folder of runs.
pub fn asked(words: &[&str], results: &Path) -> Output {
    Command::new(wattproof()).args(words).arg("--results").arg(results).output().unwrap()
}

/// What `find --json` says.
pub fn found(words: &[&str], results: &Path) -> Value {
    let mut all = vec!["find", "--json"];
    all.extend(words);
    let output = asked(&all, results);
    assert!(output.status.success(), "{}", said(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// A run is in the catalogue as soon as it has ended, with what its own tables say.
#[test]
fn a_run_is_found_when_it_has_ended() {
    let served = Served::start("honest");
    let text = std::fs::read_to_string(served.nameplate()).unwrap();
    std::fs::write(
        served.nameplate(),
        format!("serial = \"=A-17\"\nprice = 350.0\ncurrency = \"EUR\"\n{text}"),
    )
    .unwrap();
    let run = served.run(&served.script(FIRST_RATING)).arg("--without-selfcheck").output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    let folder = served.run_folder();
    let results = folder.parent().unwrap();
    // Nobody has asked yet: the run itself put it there.
    assert!(results.join("catalogue.sqlite").exists());
    let told = found(&["--serial", "=A-17"], results);
    let one = &told["runs"][0];
    assert_eq!((&told["found"], one["run"].as_str()), (&1.into(), folder.file_name().unwrap().to_str()));
    let rating = &rows(&folder.join("ratings.csv"))[0];
    assert!((one["ratio_db_min"].as_f64().unwrap() - number(rating, "ratio_db")).abs() < 1e-12);
    assert_eq!(one["verdict"], rating["verdict"]);
    assert_eq!((one["price"].as_f64(), one["currency"].as_str()), (Some(350.0), Some("EUR")));
    for (words, is_there) in [
        (["--verdict", "meets"], true),
        (["--verdict", "short"], false),
        (["--cause", "clipping"], true),
        (["--model", "steady"], true),
        (["--model", "nothing"], false),
        (["--from", "2020"], true),
        (["--to", "2020"], false),
    ] {
        assert_eq!(found(&words, results)["found"] == 1, is_there, "{words:?}");
    }
    // A serial number that a spreadsheet would take for a formula has an apostrophe before it (README.md).
    let csv = results.join("found.csv");
    let written = asked(&["find", "--csv", csv.to_str().unwrap()], results);
    assert!(written.status.success(), "{}", said(&written));
    let row = &rows(&csv)[0];
    assert_eq!((row["serial"].as_str(), row["verdict"].as_str()), ("'=A-17", "meets"));
    assert_eq!(number(row, "ratio_db_min"), one["ratio_db_min"].as_f64().unwrap());
}

/// The folders are the truth: whatever becomes of the catalogue, it is made anew and equal.
#[test]
fn a_catalogue_that_is_lost_damaged_or_foreign_is_made_anew_and_equal() {
    let holder = folder();
    let results = holder.path();
    for (fixture, name) in [
        ("single", "20260101T000000Z-one"),
        ("line", "20260102T000000Z-two"),
        ("bridged", "20260103T000000Z-three"),
    ] {
        recorded(results, fixture, name);
    }
    let before = found(&[], results);
    assert_eq!(before["found"], 3, "{before}");
    let file = results.join("catalogue.sqlite");
    let good = std::fs::read(&file).unwrap();
    let harms: [(&str, Vec<u8>); 4] = [
        ("garbage", vec![0x5a; 20_000]),
        ("cut short", good[..good.len() / 3].to_vec()),
        ("another program's", b"no database at all\n".to_vec()),
        ("zeros within", {
            let mut bytes = good.clone();
            let end = bytes.len().min(20_000);
            bytes[4096..end].fill(0);
            bytes
        }),
    ];
    for (harm, bytes) in harms {
        std::fs::write(&file, bytes).unwrap();
        let again = asked(&["reindex", "--anew"], results);
        assert!(again.status.success(), "{harm}: {}", said(&again));
        assert_eq!(found(&[], results), before, "{harm}");
    }
    // Without being asked, where the damage shows at once.
    std::fs::write(&file, vec![0x5a; 20_000]).unwrap();
    assert_eq!(found(&[], results), before);
    std::fs::remove_file(&file).unwrap();
    assert_eq!(found(&[], results), before);
    // Nothing is deleted.
    let aside = std::fs::read_dir(results)
        .unwrap()
        .filter(|one| one.as_ref().unwrap().file_name().to_string_lossy().contains("aside"));
    assert!(aside.count() >= 5);
}

/// A folder that moved is the same run; one that is gone is forgotten; one that can't be read is told and hides no other.
#[test]
fn the_catalogue_follows_the_folders() {
    let holder = folder();
    let results = holder.path();
    let one = recorded(results, "single", "20260101T000000Z-one");
    recorded(results, "line", "20260102T000000Z-two");
    let key = |told: &Value, at: usize| told["runs"][at]["key"].as_str().unwrap().to_string();
    let before = found(&["--sort", "date", "--reverse"], results);
    let moved = results.join("20260101T000000Z-moved");
    std::fs::rename(&one, &moved).unwrap();
    let after = found(&["--sort", "date", "--reverse"], results);
    assert_eq!(after["found"], 2);
    let of = |told: &Value| [key(told, 0), key(told, 1)];
    assert_eq!(of(&before), of(&after));
    assert!(after.to_string().contains("20260101T000000Z-moved") && !after.to_string().contains("Z-one"));
    // Two copies of one run are one run.
    recorded(results, "line", "20260102T000000Z-copy");
    assert_eq!(found(&[], results)["found"], 2);
    std::fs::remove_dir_all(results.join("20260102T000000Z-copy")).unwrap();
    std::fs::write(moved.join("run.json"), "{").unwrap();
    let again = asked(&["reindex"], results);
    let words = String::from_utf8_lossy(&again.stdout).into_owned();
    assert!(words.contains("left out: 20260101T000000Z-moved") && words.contains("run.json"), "{words}");
    // What was known of it stays, since its folder is there.
    assert_eq!(found(&[], results)["found"], 2);
    std::fs::remove_dir_all(&moved).unwrap();
    // What was put away is known until the catalogue is made anew.
    assert_eq!(found(&[], results)["found"], 2);
    assert!(asked(&["reindex"], results).status.success());
    assert_eq!(found(&[], results)["found"], 1);
}
