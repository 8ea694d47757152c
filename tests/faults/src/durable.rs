//! What a run's record holds on the disk, read without the code that wrote it.

use sha2::{Digest, Sha256};

/// What kind of record a line is.
pub fn kind_of(line: &[u8]) -> Option<String> {
    let line: serde_json::Value = serde_json::from_slice(line).ok()?;
    line.get("kind")?.as_str().map(str::to_string)
}

/// What is wrong with a journal's numbers or hashes; whole lines only, a torn last one is allowed.
pub fn faults_of(journal: &[u8]) -> Vec<String> {
    let mut wrong = Vec::new();
    let mut chain = String::new();
    for (index, raw) in (0_u64..).zip(journal.split_inclusive(|byte| *byte == b'\n')) {
        let Some(line) = raw.strip_suffix(b"\n") else { break };
        let text = String::from_utf8_lossy(line);
        let Some((open, tail)) = text.rsplit_once(",\"chain\":\"") else {
            wrong.push(format!("line {} has no hash", index + 1));
            break;
        };
        let digest = Sha256::new().chain_update(&chain).chain_update(open).finalize();
        let hash: String = digest.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
        if tail.strip_suffix("\"}") != Some(hash.as_str()) {
            wrong.push(format!("line {} has a wrong hash", index + 1));
        }
        let parsed: Result<serde_json::Value, _> = serde_json::from_slice(line);
        match parsed.ok().and_then(|line| line.get("seq").and_then(serde_json::Value::as_u64)) {
            Some(seq) if seq == index => {}
            other => wrong.push(format!("line {} has number {other:?}", index + 1)),
        }
        chain = hash;
    }
    wrong
}

/// The numbers of the steps that a journal holds.
pub fn steps(journal: &[u8]) -> Vec<u64> {
    let whole = journal.split_inclusive(|byte| *byte == b'\n').filter_map(|raw| raw.strip_suffix(b"\n"));
    let lines = whole.filter_map(|line| serde_json::from_slice::<serde_json::Value>(line).ok());
    let steps = lines.filter(|line| line.get("kind").and_then(|kind| kind.as_str()) == Some("step"));
    steps.filter_map(|line| line.pointer("/data/step")?.as_u64()).collect()
}

/// Whether the run was closed in a journal.
pub fn is_closed(journal: &[u8]) -> bool {
    let mut whole = journal.split_inclusive(|byte| *byte == b'\n').filter_map(|raw| raw.strip_suffix(b"\n"));
    whole.next_back().and_then(kind_of).is_some_and(|kind| kind == "closed")
}

/// The numbers of the steps in `steps.csv`, each once.
pub fn table_steps(table: &[u8]) -> Vec<u64> {
    let text = String::from_utf8_lossy(table).into_owned();
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap_or_default().split(',').collect();
    let column = header.iter().position(|name| *name == "step").unwrap_or(0);
    let mut steps: Vec<u64> = lines.filter_map(|line| line.split(',').nth(column)?.parse().ok()).collect();
    steps.dedup();
    steps
}
