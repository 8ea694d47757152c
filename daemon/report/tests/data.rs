//! The run as data: brief and steps against the tables they come from.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod folder;

use folder::{Folder, number, rows};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use wattproof_report::{brief, entry, steps};

/// Keys of the HTTP interface's RunBrief (project definition).
#[test]
fn a_brief_has_its_keys_and_the_tables_numbers() {
    let folder = Folder::of("single");
    let told = serde_json::to_value(brief(&folder.path).unwrap()).unwrap();
    let keys: Vec<&String> = told.as_object().unwrap().keys().collect();
    assert_eq!(keys.len(), 13, "{keys:?}");
    assert_eq!(told["run"], "single");
    assert_eq!(
        (&told["outcome"], &told["steps"], &told["invented"]),
        (&json!("finished"), &json!(6), &json!(true))
    );
    assert_eq!(told["amplifier"], "Lindqvold Sample Works Steady 100");
    assert_eq!(told["script"], "small.rhai");
    let table = rows(&folder.file("ratings.csv"));
    let row = table.iter().find(|row| row["rating"] == "1").unwrap();
    let rating = &told["ratings"][0];
    assert_eq!(told["ratings"].as_array().unwrap().len(), 1);
    for (key, column) in [
        ("measured", "measured_w"),
        ("expanded_u", "expanded_u_w"),
        ("rated", "rated_w"),
        ("load_ohm", "load_ohm"),
    ] {
        assert_eq!(rating[key].as_f64().unwrap(), number(row, column), "{key}");
    }
    for key in ["verdict", "cause", "driven"] {
        assert_eq!(rating[key].as_str().unwrap(), row[key], "{key}");
    }
    let line = serde_json::to_value(brief(&Folder::of("line").path).unwrap()).unwrap();
    assert_eq!((&line["ratings"][0]["unit"], &line["ratings"][0]["rated"]), (&json!("V"), &json!(5.0)));
}

/// A run that was resumed and goes on has not ended, whatever run.json says from before.
#[test]
fn a_resumed_run_has_not_ended() {
    let folder = Folder::of("single");
    folder.change_journal(|lines| lines.push(("resumed".into(), json!({}))));
    let told = brief(&folder.path).unwrap();
    assert_eq!((told.outcome, told.ended_utc, told.steps), (None, None, 6));
}

/// Every step and channel of steps.csv, to the last digit; names of the HTTP interface's Step (project definition).
#[test]
fn steps_are_those_of_the_table() {
    let folder = Folder::of("single");
    let told = serde_json::to_value(steps(&folder.path, 0).unwrap()).unwrap();
    let told = told.as_array().unwrap();
    let table = rows(&folder.file("steps.csv"));
    let channels: Vec<(&Value, &Value)> = told
        .iter()
        .flat_map(|step| step["channels"].as_array().unwrap().iter().map(move |channel| (step, channel)))
        .collect();
    assert_eq!(channels.len(), table.len());
    for ((step, channel), row) in channels.iter().zip(&table) {
        let all = step.as_object().unwrap().iter().filter(|(key, _)| *key != "channels");
        for (key, value) in all.chain(channel.as_object().unwrap()) {
            let same = match value {
                Value::Null => row[key].is_empty(),
                Value::Bool(value) => row[key] == value.to_string(),
                Value::String(value) => row[key] == *value,
                value => value.as_f64().unwrap() == number(row, key),
            };
            assert!(same, "{key}: {value} against {:?}", row[key]);
        }
        assert_eq!((step.as_object().unwrap().len(), channel.as_object().unwrap().len()), (14, 14));
    }
    assert_eq!(steps(&folder.path, 4).unwrap().iter().map(|step| step.step).collect::<Vec<_>>(), [5, 6]);
    assert!(steps(&folder.path, 6).unwrap().is_empty());
}

/// A table of an older version has fewer columns at its end: what it lacks is absent, what it must have is named.
#[test]
fn a_table_without_columns_that_are_needed_is_refused() {
    let folder = Folder::of("single");
    folder.put("steps.csv", &folder.text("steps.csv").replace("thdn_pct", "other_pct"));
    let told = steps(&folder.path, 0).unwrap();
    assert!(told.iter().flat_map(|step| &step.channels).all(|channel| channel.thdn_pct.is_none()));
    folder.put("steps.csv", &folder.text("steps.csv").replace("level_vrms", "other_vrms"));
    let error = steps(&folder.path, 0).unwrap_err().to_string();
    assert!(error.contains("steps.csv") && error.contains("level_vrms"), "{error}");
}

/// The catalogue's entry of a run says what its files say (project definition); hashes by FIPS 180-4.
#[test]
fn a_run_is_told_to_the_catalogue_as_its_files_say() {
    let folder = Folder::of("single");
    let entry = entry(&folder.path).unwrap();
    let journal = folder.text("journal.jsonl");
    let chain =
        |line: &str| serde_json::from_str::<Value>(line).unwrap()["chain"].as_str().unwrap().to_string();
    assert_eq!(entry.key, chain(journal.lines().next().unwrap()));
    assert_eq!(
        (entry.lines, &entry.chain),
        (journal.lines().count() as u64, &chain(journal.lines().last().unwrap()))
    );
    assert_eq!((entry.run.as_str(), entry.outcome.as_deref()), ("single", Some("finished")));
    assert_eq!((entry.verdict.as_deref(), entry.selfcheck.as_deref()), (Some("meets"), Some("made")));
    assert_eq!((entry.steps, entry.gaps, entry.gap_s), (6, 0, Some(0.0)));
    let table = rows(&folder.file("ratings.csv"));
    assert_eq!(entry.ratings.len(), table.len(), "one judged, one left out");
    for told in &entry.ratings {
        let row = table.iter().find(|row| row["rating"] == told.rating.to_string()).unwrap();
        assert_eq!(told.not_measured.as_deref().unwrap_or_default(), row["not_measured"]);
        assert_eq!((told.rated, told.load_ohm), (Some(number(row, "rated_w")), number(row, "load_ohm")));
        if told.not_measured.is_none() {
            assert_eq!(told.measured, Some(number(row, "measured_w")));
            assert_eq!(told.expanded_u, Some(number(row, "expanded_u_w")));
            assert_eq!(
                (told.verdict.as_deref(), told.cause.as_deref()),
                (Some(&*row["verdict"]), Some(&*row["cause"]))
            );
        }
    }
    // The rating's own limit is 1 %, and distortion bounds it: what was judged is what is clean.
    let judged = entry.ratings.iter().find(|one| one.not_measured.is_none()).unwrap();
    assert_eq!(judged.limit_pct, 1.0);
    let clean: Vec<f64> =
        judged.clean.iter().filter(|one| one.limit_pct == 1.0).map(|one| one.delivered).collect();
    assert_eq!(clean, [judged.measured.unwrap()], "{:?}", judged.clean);
    let roles: Vec<&str> = entry.instruments.iter().map(|one| one.role.as_str()).collect();
    assert!(roles.contains(&"source") && roles.contains(&"digitizer"), "{roles:?}");
    for file in &entry.files {
        let bytes = std::fs::read(folder.file(&file.name)).unwrap();
        assert_eq!(file.bytes, bytes.len() as u64, "{}", file.name);
        let hash = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect::<String>();
        assert_eq!(
            file.sha256.as_deref(),
            (file.name != "journal.jsonl").then_some(hash.as_str()),
            "{}",
            file.name
        );
    }
    // A moved folder is the same run under another name; one that goes on is newer and has not ended.
    let moved = folder.path.with_file_name("moved");
    std::fs::rename(&folder.path, &moved).unwrap();
    let told = wattproof_report::entry(&moved).unwrap();
    assert_eq!((told.key, told.run.as_str()), (entry.key.clone(), "moved"));
    let folder = Folder::of("single");
    folder.change_journal(|lines| lines.push(("resumed".into(), json!({}))));
    let told = wattproof_report::entry(&folder.path).unwrap();
    assert_eq!((told.lines, told.outcome), (entry.lines + 1, None));
}
