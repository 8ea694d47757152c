//! Folders of runs to tell: copies of three small recorded ones, and what may become of them.
//!
//! `single`: one rating met, one left out; `line`: a line stage, its captures lost; `bridged`: two bridges, likewise. All
//! were recorded on the virtual bench with invented devices.

#![allow(dead_code, reason = "each test takes what it needs")]

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use tempfile::TempDir;

/// A run's folder that goes with the test.
pub struct Folder {
    _holder: TempDir,
    pub path: PathBuf,
}

impl Folder {
    /// A copy of a recorded run.
    pub fn of(name: &str) -> Self {
        let holder = tempfile::tempdir().unwrap();
        let path = holder.path().join(name);
        let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixture").join(name);
        copy(&from, &path);
        Folder { _holder: holder, path }
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }

    pub fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.file(name)).unwrap()
    }

    pub fn put(&self, name: &str, text: &str) {
        std::fs::write(self.file(name), text).unwrap();
    }

    /// A JSON file changed.
    pub fn change_json(&self, name: &str, change: impl FnOnce(&mut Value)) {
        let mut value = serde_json::from_str(&self.text(name)).unwrap();
        change(&mut value);
        self.put(name, &value.to_string());
    }

    /// The journal as a run would have written it, had it recorded other lines: chained anew (daemon/runs/README.md).
    pub fn change_journal(&self, change: impl FnOnce(&mut Vec<(String, Value)>)) {
        let lines = self.text("journal.jsonl");
        let line = |line: &str| {
            let line: Value = serde_json::from_str(line).unwrap();
            (line["kind"].as_str().unwrap().to_string(), line["data"].clone())
        };
        let mut lines: Vec<(String, Value)> = lines.lines().map(line).collect();
        change(&mut lines);
        let (mut text, mut chain) = (String::new(), String::new());
        for (seq, (kind, data)) in lines.iter().enumerate() {
            let open = format!(
                "{{\"seq\":{seq},\"synced\":{seq},\"at_s\":1.0,\"kind\":{},\"data\":{data}",
                json!(kind)
            );
            let hash: String =
                Sha256::digest(format!("{chain}{open}")).iter().map(|byte| format!("{byte:02x}")).collect();
            chain = hash[..16].to_string();
            text.push_str(&format!("{open},\"chain\":\"{chain}\"}}\n"));
        }
        self.put("journal.jsonl", &text);
    }

    /// As a run that was cut off, or still goes on: everything up to a line, and `run.json` as it was at the start.
    pub fn cut_off_at(&self, kind: &str) {
        self.change_journal(|lines| {
            let at = lines.iter().position(|line| line.0 == kind).unwrap();
            lines.truncate(at);
        });
        self.change_json("run.json", |run| {
            run["outcome"] = Value::Null;
            run["ended_utc"] = Value::Null;
            run["steps"] = json!(0);
        });
    }

    /// As a run whose ratings were not judged yet.
    pub fn unjudged(&self) {
        self.cut_off_at("rating");
        std::fs::remove_file(self.file("ratings.json")).unwrap();
        for name in ["ratings.csv", "curve.csv"] {
            let head = self.text(name).lines().next().unwrap().to_string();
            self.put(name, &format!("{head}\r\n"));
        }
    }
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// The rows of a table, columns by name.
pub fn rows(path: &Path) -> Vec<std::collections::BTreeMap<String, String>> {
    csv::Reader::from_path(path).unwrap().deserialize().map(Result::unwrap).collect()
}

/// A number of a row.
pub fn number(row: &std::collections::BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column}: {:?}", row[column]))
}
