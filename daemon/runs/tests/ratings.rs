//! `ratings.json` as others read it: keys, round trip, and errors that name the remedy. Project definitions; the file
//! in tests/data was recorded from an invented amplifier on the virtual bench.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "test helpers")]

use std::path::Path;

use serde_json::Value;
use wattproof_runs::{RatingsError, RatingsFile};

const RECORDED: &str = include_str!("data/ratings.json");

fn run_with(text: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("ratings.json"), text).unwrap();
    folder
}

#[test]
fn a_recorded_file_is_read_back_as_it_stands() {
    let folder = run_with(RECORDED);
    let file = RatingsFile::read(folder.path()).unwrap();
    let again = serde_json::to_value(&file).unwrap();
    assert_eq!(again, serde_json::from_str::<Value>(RECORDED).unwrap());
    let second = file.rating(2).unwrap();
    assert_eq!((second.rating, second.budget.len() > 8), (2, true));
}

/// Keys may be added: a file from before calibrations were told is read, and tells none.
#[test]
fn an_older_file_is_read() {
    let mut old: Value = serde_json::from_str(RECORDED).unwrap();
    for rating in old["ratings"].as_array_mut().unwrap() {
        assert!(rating.as_object_mut().unwrap().remove("calibration").is_some());
    }
    let file = RatingsFile::parse(Path::new("old.json"), &old.to_string()).unwrap();
    assert_eq!(serde_json::to_value(file.ratings[0].calibration).unwrap(), "missing");
}

/// The table rows of a README section that open with a key, in order.
fn keys(readme: &str, heading: &str) -> Vec<String> {
    let table = readme.split(heading).nth(1).expect("the table is there");
    let rows = table.lines().skip(2).take_while(|line| line.starts_with("| `"));
    rows.filter_map(|line| line.strip_prefix("| `")?.split_once('`'))
        .map(|(key, _)| key.to_string())
        .collect()
}

#[test]
fn every_key_is_documented_in_its_order() {
    let readme = include_str!("../README.md");
    let file = serde_json::from_str::<RatingsFile>(RECORDED).unwrap();
    // Text, since a map of values would be sorted.
    let in_order = |text: &str, indent: usize| -> Vec<String> {
        let margin = format!("{}\"", " ".repeat(indent));
        let lines = text.lines().filter_map(|line| line.strip_prefix(&margin)?.split_once('"'));
        lines.map(|(key, _)| key.to_string()).collect()
    };
    let record = serde_json::to_string_pretty(&file.ratings[0]).unwrap();
    assert_eq!(in_order(&record, 2), keys(readme, "| key of a rating | meaning |"));
    let part = serde_json::to_string_pretty(&file.ratings[0].budget[0]).unwrap();
    assert_eq!(in_order(&part, 2), keys(readme, "| key of a contribution | meaning |"));
    let whole = serde_json::to_string_pretty(&file).unwrap();
    for key in in_order(&whole, 2) {
        assert!(readme.contains(&format!("`{key}`")), "{key}");
    }
}

#[test]
fn the_last_of_a_number_counts() {
    let mut file: RatingsFile = serde_json::from_str(RECORDED).unwrap();
    let mut again = file.ratings[0].clone();
    again.measured_w = Some(1.0);
    file.ratings.push(again);
    assert_eq!(file.rating(1).unwrap().measured_w, Some(1.0));
}

#[test]
fn errors_say_what_there_is() {
    let nowhere = RatingsFile::read(Path::new("/nowhere/at/all")).unwrap_err();
    assert!(matches!(nowhere, RatingsError::NoRun { .. }) && nowhere.to_string().contains("/nowhere/at/all"));
    let empty = tempfile::tempdir().unwrap();
    let none = RatingsFile::read(empty.path()).unwrap_err().to_string();
    assert!(none.contains("judged none") && none.contains("journal.jsonl"), "{none}");
    for torn in ["", "{", &RECORDED[..RECORDED.len() / 2], "[]", "{\"format\":1}"] {
        let error = RatingsFile::read(run_with(torn).path()).unwrap_err();
        assert!(matches!(error, RatingsError::Parse { .. }), "{error}");
        assert!(
            error.to_string().contains("ratings.json") && error.to_string().contains("journal"),
            "{error}"
        );
    }
    let file: RatingsFile = serde_json::from_str(RECORDED).unwrap();
    let missing = file.rating(7).unwrap_err().to_string();
    assert!(
        missing.contains("no rating 7") && missing.contains("1 (100 W into 4 ohm at 14.4 V), 2 ("),
        "{missing}"
    );
}
