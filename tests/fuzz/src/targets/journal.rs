//! The journal's reader, on a disk of any bytes.
//!
//! Holds: what is whole is kept when the end is torn, nothing that was altered is believed, and a journal that is gone on
//! with is whole again.

use std::path::Path;
use std::sync::Arc;

use serde_json::Value;
use wattproof_runs::{Disk, Journal, Line, ReadJournal, read_journal};

use super::drawn_below;
use super::memory_disk::MemoryDisk;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "journal",
    check,
    words: &[
        "{\"seq\":0,\"synced\":0,\"at_s\":0.0,\"kind\":\"step\",\"data\":",
        ",\"chain\":\"",
        "\"}\n",
        "\"seq\":",
        "\"synced\":99",
        "\"at_s\":1e999",
        "\"data\":{}",
        "null",
        "[[[[[[[[[[[[[[[[",
        "]]]]]]]]]]]]]]]]",
        "{\"a\":",
        "\n",
        "\\u0000",
        "\\ud800",
        "{",
        "}",
        "[",
        "]",
        "\"",
        "18446744073709551616",
        "-0.0",
    ],
    shipped: &[],
};

const PATH: &str = "journal.jsonl";

fn read(disk: &MemoryDisk) -> ReadJournal {
    read_journal(disk, Path::new(PATH)).unwrap()
}

fn read_bytes(bytes: &[u8]) -> ReadJournal {
    read(&MemoryDisk::holding(Path::new(PATH), bytes))
}

fn same(a: &[Line], b: &[Line]) -> bool {
    let key =
        |line: &Line| (line.seq, line.synced, line.at_s.to_bits(), line.kind.clone(), line.data.clone());
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| key(a) == key(b))
}

/// Tries one input.
pub fn check(bytes: &[u8]) {
    check_read(bytes);
    check_torn(&written(bytes), bytes);
}

/// Any bytes as a journal.
fn check_read(bytes: &[u8]) {
    let found = read_bytes(bytes);
    let whole = found.whole_bytes as usize;
    assert_eq!(bytes[..whole].iter().filter(|byte| **byte == b'\n').count(), found.lines.len());
    if found.broken_line.is_none() {
        assert_eq!(found.torn, &bytes[whole..]);
    }
    let again = read_bytes(&bytes[..whole]);
    assert!(again.torn.is_empty() && again.broken_line.is_none());
    assert!(same(&found.lines, &again.lines) && found.chain == again.chain);
    check_going_on(&MemoryDisk::holding(Path::new(PATH), bytes), &found);
}

/// A journal that was read is gone on with, unless it is broken.
fn check_going_on(disk: &MemoryDisk, found: &ReadJournal) {
    let shared: Arc<dyn Disk> = Arc::new(disk.clone());
    let reopened = Journal::reopen(&shared, Path::new(PATH), found);
    assert_eq!(reopened.is_ok(), found.broken_line.is_none());
    if let Ok(mut journal) = reopened {
        journal.append(1.0, "resumed", &found.lines.len()).unwrap();
        let after = read(disk);
        assert!(after.torn.is_empty() && after.broken_line.is_none());
        assert_eq!(after.lines.len(), found.lines.len() + 1);
        assert!(same(&found.lines, &after.lines[..found.lines.len()]));
    }
}

/// A journal written line by line from the bytes: as JSON where they are, as text where not.
fn written(bytes: &[u8]) -> Vec<u8> {
    let disk = MemoryDisk::default();
    let shared: Arc<dyn Disk> = Arc::new(disk.clone());
    let mut journal = Journal::create(&shared, Path::new(PATH)).unwrap();
    for (index, line) in bytes.split(|byte| *byte == b'\n').take(40).enumerate() {
        let text = super::text(line);
        let data = serde_json::from_str(&text).unwrap_or_else(|_| Value::String(text.to_string()));
        let at_s = index as f64 / 3.0;
        if drawn_below(line, 0, 3) == 0 {
            journal.append(at_s, &text, &data).unwrap();
        } else {
            journal.write(at_s, "note", &data).unwrap();
        }
    }
    drop(journal);
    disk.read(Path::new(PATH)).unwrap()
}

fn check_torn(whole: &[u8], drawing: &[u8]) {
    let all = read_bytes(whole);
    assert!(all.torn.is_empty() && all.broken_line.is_none(), "what was written is not read");
    let cut = drawn_below(drawing, 1, whole.len() + 1);
    let torn = read_bytes(&whole[..cut]);
    let lines = whole[..cut].iter().filter(|byte| **byte == b'\n').count();
    assert!(same(&torn.lines, &all.lines[..lines]), "a torn journal lost a whole line");
    assert!(torn.broken_line.is_none(), "a torn journal is no broken one");
    // One bit damaged: the lines before it stay, it and those after it are not believed.
    if !whole.is_empty() {
        let at = drawn_below(drawing, 2, whole.len());
        let mut damaged = whole.to_vec();
        damaged[at] ^= 1 << drawn_below(drawing, 3, 8);
        let found = read_bytes(&damaged);
        let before = whole[..at].iter().filter(|byte| **byte == b'\n').count();
        assert!(same(&found.lines, &all.lines[..before]), "line {before} was damaged at byte {at}");
    }
}
