//! The note of a trip: a file of fixed length that is there before it is needed, and takes a record in one write.
//!
//! One line: sixteen hexadecimal digits of the SHA-256 over the rest, a space, the latch as JSON; blanks up to the end.
//! Nothing but blanks says that nothing tripped. What fits neither was torn by a power cut in the midst of a trip.

use std::fs::{DirBuilder, File};
use std::io::{ErrorKind, Write};
use std::os::unix::fs::{DirBuilderExt, FileExt, OpenOptionsExt};
use std::path::Path;

use rustix::fs::OFlags;
use sha2::{Digest, Sha256};
use wattproof_guard::{LatchRecord, TripCause};

use super::{Latch, LatchError, bytes_of, damaged};

/// Its name in the state folder.
const NOTE_FILE: &str = "latch.note";
/// Its length, bytes: a first cause and a handful of later ones.
const NOTE_BYTES: usize = 8192;
/// What is left of a cause that does not fit, characters.
const CAUSE_CHARS_MAX: usize = 1000;

/// The note, open for as long as the bench is.
pub(super) struct Note {
    file: File,
}

impl Note {
    /// Opens the note of a folder and makes it whole first where it is not there yet; both are synced. What is noted
    /// stays.
    pub fn open(folder: &Path) -> std::io::Result<Self> {
        DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
        let path = folder.join(NOTE_FILE);
        let mut how = File::options();
        how.write(true).mode(0o600).custom_flags(OFlags::NOFOLLOW.bits().cast_signed());
        match how.open(&path) {
            Ok(file) if file.metadata()?.len() == NOTE_BYTES as u64 => return Ok(Note { file }),
            // Another length: cut short while it was made, so that nothing was noted yet. What it holds was read before.
            Ok(_) => std::fs::remove_file(&path)?,
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
        let aside = path.with_added_extension("new");
        match std::fs::remove_file(&aside) {
            Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let mut file = how.create_new(true).open(&aside)?;
        file.write_all(&[b' '; NOTE_BYTES])?;
        file.sync_all()?;
        std::fs::rename(&aside, &path)?;
        File::open(folder)?.sync_all()?;
        Ok(Note { file })
    }

    /// Notes a latch, in one write and without a sync.
    pub fn write(&self, latch: &Latch) -> std::io::Result<()> {
        let mut line = line(latch)?;
        if line.len() > NOTE_BYTES {
            line = self::line(&shortened(latch))?;
        }
        line.resize(NOTE_BYTES, b' ');
        self.file.write_all_at(&line, 0)
    }

    /// Blanks it and syncs that.
    pub fn clear(&self) -> std::io::Result<()> {
        self.file.write_all_at(&[b' '; NOTE_BYTES], 0)?;
        self.file.sync_all()
    }
}

/// What is noted in a folder.
pub(super) fn read(folder: &Path) -> Result<Option<Latch>, LatchError> {
    let path = folder.join(NOTE_FILE);
    let bytes = match bytes_of(&path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        Err(error) if error.kind() == ErrorKind::InvalidData => return Ok(Some(damaged(&path, &error))),
        Err(source) => return Err(LatchError::Io { path, source }),
    };
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return Ok(None);
    }
    let text = std::str::from_utf8(&bytes).ok().map(str::trim_end).and_then(|text| text.split_once(' '));
    let whole = text.filter(|(hash, json)| *hash == digest(json.as_bytes()));
    let latch = whole.and_then(|(_, json)| serde_json::from_str(json).ok());
    Ok(Some(latch.unwrap_or_else(|| damaged(&path, &"it was cut short"))))
}

fn line(latch: &Latch) -> std::io::Result<Vec<u8>> {
    let json = serde_json::to_string(latch)?;
    Ok(format!("{} {json}\n", digest(json.as_bytes())).into_bytes())
}

fn digest(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

/// The same without what came after the first cause, which is told in part if that is long.
fn shortened(latch: &Latch) -> Latch {
    let LatchRecord { alarm, at_s, ref cause, ref evidence, evidence_more } = latch.record;
    let evidence_more = evidence_more.saturating_add(evidence.len() as u64);
    let long = cause.to_string();
    let cause = match long.char_indices().nth(CAUSE_CHARS_MAX) {
        None => cause.clone(),
        Some((end, _)) => {
            TripCause::Instrument { what: format!("{} …", long.get(..end).unwrap_or_default()) }
        }
    };
    let record = LatchRecord { alarm, at_s, cause, evidence: Vec::new(), evidence_more };
    Latch { bench: latch.bench.chars().take(CAUSE_CHARS_MAX).collect(), record, ..latch.clone() }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use wattproof_guard::Evidence;

    use super::*;

    fn latch(what: &str, more: usize) -> Latch {
        let cause = || TripCause::Instrument { what: what.into() };
        let evidence = (0..more).map(|_| Evidence { at_s: 2.0, cause: cause() }).collect();
        let record = LatchRecord { alarm: false, at_s: 1.5, cause: cause(), evidence, evidence_more: 3 };
        Latch { bench: "b".into(), at_unix_s: 7, record }
    }

    #[test]
    fn a_note_is_read_as_it_was_written_and_outlasts_being_opened() {
        let folder = tempfile::tempdir().unwrap();
        assert!(read(folder.path()).unwrap().is_none());
        let note = Note::open(folder.path()).unwrap();
        assert!(read(folder.path()).unwrap().is_none());
        note.write(&latch("long ".repeat(100).trim(), 2)).unwrap();
        note.write(&latch("short", 0)).unwrap();
        drop(note);
        let note = Note::open(folder.path()).unwrap();
        assert_eq!(read(folder.path()).unwrap(), Some(latch("short", 0)));
        note.clear().unwrap();
        assert!(read(folder.path()).unwrap().is_none());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left aside");
    }

    #[test]
    fn what_does_not_fit_is_left_out_and_counted() {
        let folder = tempfile::tempdir().unwrap();
        let note = Note::open(folder.path()).unwrap();
        note.write(&latch(&"x".repeat(900), 16)).unwrap();
        let read_back = || read(folder.path()).unwrap().unwrap().record;
        assert_eq!(
            (read_back().cause, read_back().evidence_more),
            (latch(&"x".repeat(900), 0).record.cause, 19)
        );
        note.write(&latch(&"ä\"\n".repeat(9000), 0)).unwrap();
        assert!(read_back().cause.to_string().ends_with('…'), "{}", read_back().cause);
        let path = folder.path().join(NOTE_FILE);
        assert_eq!(std::fs::metadata(path).unwrap().len(), NOTE_BYTES as u64);
    }

    /// Fault 43: blocks of a write that was not synced may reach the disk one without the other.
    #[test]
    fn fault_43_a_torn_note_is_an_alarm() {
        let folder = tempfile::tempdir().unwrap();
        let note = Note::open(folder.path()).unwrap();
        note.write(&latch("one cause", 12)).unwrap();
        let path = folder.path().join(NOTE_FILE);
        let old = std::fs::read(&path).unwrap();
        note.write(&latch("another", 13)).unwrap();
        let new = std::fs::read(&path).unwrap();
        let torn = [&new[..512], &old[512..]].concat();
        assert_ne!(torn, new);
        for bytes in [torn.as_slice(), &new[..100], &[&[0; 512], &new[512..]].concat()] {
            std::fs::write(&path, bytes).unwrap();
            assert!(read(folder.path()).unwrap().unwrap().record.alarm);
        }
    }
}
