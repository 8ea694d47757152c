//! What a run's record holds on the disk, read without the code that wrote it.

use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

/// The journal of the newest run below `results`.
pub fn journal(results: &Path) -> Option<PathBuf> {
    let folders = std::fs::read_dir(results).ok()?.filter_map(Result::ok).map(|entry| entry.path());
    let newest = folders.max()?.join("journal.jsonl");
    newest.exists().then_some(newest)
}

/// What kind of record the last whole line is.
pub fn last_kind(journal: &Path) -> Option<String> {
    let mut file = std::fs::File::open(journal).ok()?;
    let length = file.metadata().ok()?.len();
    // The kind stands near the beginning of a line, which may be long.
    let mut tail = Vec::new();
    for back in [1_024, 65_536, u64::MAX] {
        tail.clear();
        file.seek(SeekFrom::Start(length.saturating_sub(back))).ok()?;
        file.read_to_end(&mut tail).ok()?;
        let whole = tail.strip_suffix(b"\n")?;
        let start = whole.iter().rposition(|byte| *byte == b'\n').map(|at| at + 1);
        if let Some(line) = start.or((length <= back).then_some(0)).and_then(|start| whole.get(start..)) {
            let line: serde_json::Value = serde_json::from_slice(line).ok()?;
            return line.get("kind")?.as_str().map(str::to_string);
        }
    }
    None
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
