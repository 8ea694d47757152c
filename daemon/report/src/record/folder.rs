//! The files of a run's folder, read in bounds.

use std::io::{BufRead, BufReader, ErrorKind, Read};
use std::path::{Path, PathBuf};

use serde::de::DeserializeOwned;
use wattproof_runs::{
    FINDINGS_FILE, Finding, JOURNAL_FILE, RatingRecord, RatingsError, RatingsFile, RunFolder,
};

use crate::ReportError;

/// Longest `run.json`, bytes.
pub(crate) const RUN_FILE_BYTES_MAX: u64 = 64 << 20;
/// Longest table, bytes: a hundred thousand steps of 16 channels and more.
pub(super) const TABLE_BYTES_MAX: u64 = 1 << 30;
/// Bytes of the end of a journal that are looked at first.
const TAIL_BYTES: usize = 64 << 10;

/// A run's folder, open for reading.
#[derive(Debug, Clone)]
pub(crate) struct Recorded {
    folder: RunFolder,
}

impl Recorded {
    pub fn open(path: &Path) -> Result<Self, ReportError> {
        RunFolder::open(path).map(|folder| Recorded { folder }).map_err(ReportError::Folder)
    }

    /// The run's name, which is the folder's.
    pub fn name(&self) -> &str {
        self.folder.name()
    }

    pub fn folder(&self) -> &RunFolder {
        &self.folder
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.file(name)
    }

    /// A whole file; `None` when it is not there.
    pub fn bytes(&self, name: &str, most: u64) -> Result<Option<Vec<u8>>, ReportError> {
        let path = self.file(name);
        let read = self.folder.disk().reader(&path).and_then(|file| {
            let mut bytes = Vec::new();
            // Asked first: a file with a hole costs its owner nothing and a reader all it says of its length.
            if std::fs::symlink_metadata(&path)?.len() > most {
                return Err(too_long(most));
            }
            file.take(most + 1).read_to_end(&mut bytes)?;
            Ok(bytes)
        });
        match read {
            Ok(bytes) if bytes.len() as u64 > most => Err(ReportError::Read { path, source: too_long(most) }),
            Ok(bytes) => Ok(Some(bytes)),
            Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
            Err(source) => Err(ReportError::Read { path, source }),
        }
    }

    /// The whole lines of a table, which may be growing; of a run that has just begun none.
    pub fn table(&self, name: &'static str) -> Result<Vec<u8>, ReportError> {
        let mut bytes = match self.bytes(name, TABLE_BYTES_MAX)? {
            Some(bytes) => bytes,
            None if self.has_just_begun()? => Vec::new(),
            None => return Err(self.missing(name)),
        };
        // The last row may be on its way to the disk.
        let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
        bytes.truncate(whole);
        Ok(bytes)
    }

    /// The rows of a table, columns by name.
    pub fn rows<T: DeserializeOwned>(&self, name: &'static str) -> Result<Vec<T>, ReportError> {
        let bytes = self.table(name)?;
        let mut reader = csv::Reader::from_reader(bytes.as_slice());
        let header = reader.byte_headers().map_err(|error| self.altered(name, error.to_string()))?.clone();
        let rows: Result<Vec<T>, csv::Error> = reader.deserialize().collect();
        rows.map_err(|error| self.altered(name, row_words(&error, &header)))
    }

    /// Whether the journal holds its first line alone: the tables are made right after that.
    fn has_just_begun(&self) -> Result<bool, ReportError> {
        let path = self.file(JOURNAL_FILE);
        let read = |source| ReportError::Read { path: path.clone(), source };
        let file = self.folder.disk().reader(&path).map_err(read)?;
        let mut journal = BufReader::new(file.take(RUN_FILE_BYTES_MAX));
        let mut line = Vec::new();
        journal.read_until(b'\n', &mut line).map_err(read)?;
        Ok(journal.fill_buf().map_err(read)?.is_empty())
    }

    /// A file that every run has is not there.
    pub fn missing(&self, file: &'static str) -> ReportError {
        ReportError::Missing {
            run: self.name().into(),
            file,
            next: "`wattproof rebuild` writes it anew from the journal",
        }
    }

    pub fn altered(&self, name: &str, what: impl Into<String>) -> ReportError {
        ReportError::Altered { path: self.file(name), what: what.into() }
    }

    /// The ratings judged so far, each as judged last, in order of their numbers.
    pub fn ratings(&self) -> Result<Vec<RatingRecord>, ReportError> {
        match RatingsFile::read(self.folder.path()) {
            Ok(file) => Ok(last_of_each(file.ratings)),
            Err(RatingsError::NoRatings { .. }) => Ok(Vec::new()),
            Err(error) => Err(error.into()),
        }
    }

    /// What the script found out so far, in order; of a record of old, which has no such table, nothing.
    pub fn findings(&self) -> Result<Vec<Finding>, ReportError> {
        if self.file(FINDINGS_FILE).symlink_metadata().is_err() {
            return Ok(Vec::new());
        }
        let mut rows: Vec<Finding> = self.rows(FINDINGS_FILE)?;
        for row in &mut rows {
            for text in [&mut row.name, &mut row.unit, &mut row.at, &mut row.note] {
                *text = cell_text(text).to_string();
            }
        }
        Ok(last_of_findings(rows))
    }

    /// Number and chain of the last whole line of the journal; `None` when its end is no line of a journal.
    pub fn end(&self) -> Result<Option<LineEnd>, ReportError> {
        use std::io::{Seek, SeekFrom};
        let path = self.file(JOURNAL_FILE);
        let read = |source| ReportError::Read { path: path.clone(), source };
        // `RunFolder::open` has looked that it is a regular file and no link.
        let mut file = std::fs::File::open(&path).map_err(read)?;
        let length = file.metadata().map_err(read)?.len();
        let mut tail_bytes = TAIL_BYTES as u64;
        loop {
            let from = length.saturating_sub(tail_bytes);
            let mut tail = Vec::new();
            file.seek(SeekFrom::Start(from)).map_err(read)?;
            (&mut file).take(tail_bytes).read_to_end(&mut tail).map_err(read)?;
            if let Some(end) = end_of(&tail) {
                return Ok(Some(end));
            }
            if from == 0 || tail_bytes > RUN_FILE_BYTES_MAX {
                return Ok(None);
            }
            tail_bytes *= 8;
        }
    }
}

/// Where in a table something is wrong, counted as an editor shows it: the header is row 1.
pub(crate) fn row_words(error: &csv::Error, header: &csv::ByteRecord) -> String {
    let row = |pos: &Option<csv::Position>| {
        pos.as_ref().map_or("a row".to_string(), |pos| format!("row {}", pos.record() + 1))
    };
    match error.kind() {
        csv::ErrorKind::Deserialize { pos, err } => {
            let column = err.field().and_then(|field| header.get(usize::try_from(field).ok()?));
            let column = column.map_or(String::new(), |name| format!(", {}", String::from_utf8_lossy(name)));
            format!("{}{column}: {}", row(pos), err.kind())
        }
        csv::ErrorKind::UnequalLengths { pos, expected_len, len } => {
            format!("{} has {len} fields, the header {expected_len}", row(pos))
        }
        csv::ErrorKind::Utf8 { pos, .. } => format!("{} is no UTF-8 text", row(pos)),
        _ => error.to_string(),
    }
}

fn too_long(most: u64) -> std::io::Error {
    let what = format!("it is longer than {most} bytes, which no run leaves");
    std::io::Error::new(ErrorKind::InvalidInput, what)
}

/// Number and chain of a whole line of a journal.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LineEnd {
    /// Its number, from 0.
    pub seq: u64,
    /// The hash after it.
    pub chain: String,
}

/// Of the last whole line of a piece of a journal that begins before it.
pub(super) fn end_of(tail: &[u8]) -> Option<LineEnd> {
    const KEY: &[u8] = b",\"chain\":\"";
    const SEQ: &[u8] = b"{\"seq\":";
    let end = tail.iter().rposition(|byte| *byte == b'\n')?;
    let before = tail.get(..end)?;
    let line = before.get(before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1)..)?;
    let digits: Vec<u8> = line.strip_prefix(SEQ)?.iter().copied().take_while(u8::is_ascii_digit).collect();
    let seq = std::str::from_utf8(&digits).ok()?.parse().ok()?;
    let whole = line.strip_suffix(b"\"}")?;
    let at = whole.windows(KEY.len()).rposition(|part| part == KEY)?;
    let chain = std::str::from_utf8(whole.get(at + KEY.len()..)?).ok()?;
    chain.bytes().all(|byte| byte.is_ascii_hexdigit()).then(|| LineEnd { seq, chain: chain.to_string() })
}

/// The last record of each number, in order of the numbers.
pub(crate) fn last_of_each(records: Vec<RatingRecord>) -> Vec<RatingRecord> {
    let mut kept: std::collections::BTreeMap<usize, RatingRecord> = std::collections::BTreeMap::new();
    for record in records {
        kept.insert(record.rating, record);
    }
    kept.into_values().collect()
}

/// The last finding of each number, in order: a resumed run states those again that it left behind.
pub(crate) fn last_of_findings(findings: Vec<Finding>) -> Vec<Finding> {
    let mut kept: std::collections::BTreeMap<usize, Finding> = std::collections::BTreeMap::new();
    for finding in findings {
        kept.insert(finding.finding, finding);
    }
    kept.into_values().collect()
}

/// The words of a cell of a table as they were before an apostrophe kept a spreadsheet from taking them for a formula.
pub(crate) fn cell_text(cell: &str) -> &str {
    let guarded =
        |rest: &&str| rest.trim_start_matches(' ').starts_with(['=', '+', '-', '@', '\t', '\r', '\0']);
    cell.strip_prefix('\'').filter(guarded).unwrap_or(cell)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chain_is_that_of_the_last_whole_line() {
        // daemon/runs/README.md: a line ends with its chain; what comes after the last line end was cut short.
        let tail = b"ce\"}\n{\"seq\":12,\"data\":{\"a\":\",\\\"chain\\\":\"},\"chain\":\"00ff\"}\n{\"seq\":13,\"chain\":\"aa";
        assert_eq!(end_of(tail), Some(LineEnd { seq: 12, chain: "00ff".into() }));
        assert_eq!(end_of(b"no line"), None);
        assert_eq!(end_of(b"no chain\n"), None);
    }

    #[test]
    fn words_come_back_as_they_were() {
        // README.md: words that a spreadsheet would take for a formula have an apostrophe before them.
        for (cell, words) in
            [("'=1+1", "=1+1"), ("'  -2", "  -2"), ("'quoted'", "'quoted'"), ("plain", "plain")]
        {
            assert_eq!(cell_text(cell), words);
        }
    }
}
