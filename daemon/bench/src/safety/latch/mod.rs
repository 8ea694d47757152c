//! A trip that outlasts a restart: what the bench did against its limits, or could not switch off, stands in a file
//! until a person has looked at it. A person's own stop, and a script's own failure with everything confirmed off, do
//! not: that person knows, and the bench never left its limits.
//!
//! Two files hold it. `latch.note` is there, whole, synced and open before anything may be energised; whoever lets go of
//! the guard after a trip wakes a thread that waits for nothing else, and that writes the record over the note in one
//! call, at the same moment as OFF is sent and not after it. What is written is the kernel's from then on: a daemon that
//! is killed no longer takes it along, and a full disk has the room already. `latch.json` follows, written aside, synced
//! and renamed, and outlasts the machine's power as well. Nobody is told of a trip by an error of the bench before both
//! stand, or the disk has had its time ([`Keeper::stands`]); no OFF ever waits for either.
//!
//! A mark that the bench is armed, made before and removed after each run, would be cheaper, but can't tell a trip from
//! a kill or a power cut: it would ask a person for a reset after each of those, though the next start brings everything
//! to OFF and reads it back, or lose the cause. The guardian could keep the record as well; it does one thing alone.

mod keeper;
mod note;
mod private;

pub(crate) use keeper::Keeper;

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rustix::fs::OFlags;
use serde::{Deserialize, Serialize};
use wattproof_guard::{LatchRecord, TripCause};

/// Its name in the state folder.
pub const LATCH_FILE: &str = "latch.json";
/// The longest latch file that is read, bytes: twenty times the longest that is written.
const LATCH_BYTES_MAX: u64 = 1 << 20;

/// A latched trip on disk.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Latch {
    /// The bench's name.
    pub bench: String,
    /// When it was written, seconds since 1970 (UTC).
    pub at_unix_s: u64,
    /// What happened.
    pub record: LatchRecord,
}

/// Why the latch file could not be used.
#[derive(Debug, thiserror::Error)]
pub enum LatchError {
    /// The operating system refused.
    #[error("latch file {path}: {source}; make its folder writable, or name another with --state")]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Another user could write a latch, or take one away.
    #[error(
        "state folder: {path} {what}: a trip kept there could be removed or forged; make it this user's alone (chown, chmod go-w), or name another folder with --state"
    )]
    NotPrivate {
        /// What can be written.
        path: PathBuf,
        /// By whom.
        what: String,
    },
}

/// What stands in a state folder; None when no trip was latched. A file that can't be read as a latch counts as an
/// alarm: something was written there, and nobody knows what.
///
/// # Errors
/// The file is there and can't be read at all.
pub fn read_latch(folder: &Path) -> Result<Option<Latch>, LatchError> {
    let path = folder.join(LATCH_FILE);
    let whole = match bytes_of(&path) {
        Ok(bytes) => Some(serde_json::from_slice(&bytes).unwrap_or_else(|error| damaged(&path, &error))),
        Err(error) if error.kind() == ErrorKind::NotFound => None,
        Err(error) if error.kind() == ErrorKind::InvalidData => Some(damaged(&path, &error)),
        Err(source) => return Err(LatchError::Io { path, source }),
    };
    let noted = note::read(folder)?;
    Ok(match (whole, noted) {
        // The note is written first and may have had to leave something out.
        (Some(whole), Some(noted)) if told(&noted) > told(&whole) => Some(noted),
        (None, noted) => noted,
        (whole, _) => whole,
    })
}

/// How much a latch says: the alarm first, then how many causes came.
fn told(latch: &Latch) -> (bool, u64) {
    (latch.record.alarm, latch.record.evidence.len() as u64 + latch.record.evidence_more)
}

/// A latch of which nothing but its presence is known.
fn damaged(path: &Path, why: &dyn std::fmt::Display) -> Latch {
    let what = format!("the latch file {} is damaged ({why}): what tripped is not known", path.display());
    let cause = TripCause::Instrument { what };
    let record = LatchRecord { alarm: true, at_s: 0.0, cause, evidence: Vec::new(), evidence_more: 0 };
    Latch { bench: String::new(), at_unix_s: 0, record }
}

/// A regular file of bounded length, and no link: what anybody else put in its place is not followed.
fn bytes_of(path: &Path) -> std::io::Result<Vec<u8>> {
    let wrong = |what: &str| Err(std::io::Error::new(ErrorKind::InvalidData, what));
    let flags = OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::NOCTTY;
    let file = match File::options().read(true).custom_flags(flags.bits().cast_signed()).open(path) {
        Err(_) if path.is_symlink() => return wrong("it is a symbolic link"),
        opened => opened?,
    };
    if !file.metadata()?.is_file() {
        return wrong("it is no regular file");
    }
    let mut bytes = Vec::new();
    file.take(LATCH_BYTES_MAX + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > LATCH_BYTES_MAX { wrong("it is too long") } else { Ok(bytes) }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    #[test]
    fn fault_48_a_damaged_latch_counts_as_an_alarm() {
        let folder = tempfile::tempdir().unwrap();
        for bytes in [&b""[..], b"{\"bench\":", b"\xff\xfe"] {
            std::fs::write(folder.path().join(LATCH_FILE), bytes).unwrap();
            let latch = read_latch(folder.path()).unwrap().unwrap();
            assert!(latch.record.alarm && latch.record.cause.to_string().contains("damaged"));
        }
    }

    /// Fault 52: nothing that stands there takes memory or stack without bound, and nothing is taken for no latch.
    #[test]
    fn fault_52_a_huge_or_deep_latch_file_is_an_alarm_in_bounded_memory() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(LATCH_FILE);
        let told = || read_latch(folder.path()).unwrap().unwrap().record;
        for text in ["[".repeat(100_000), "{\"record\":".repeat(100_000), "9".repeat(1 << 21)] {
            std::fs::write(&path, text).unwrap();
            assert!(told().alarm && told().cause.to_string().contains("damaged"), "{}", told().cause);
        }
        // A file of a terabyte, without a byte on the disk.
        File::create(&path).unwrap().set_len(1 << 40).unwrap();
        assert!(told().cause.to_string().contains("too long"), "{}", told().cause);
    }

    /// Faults 53 and 55: a link or a pipe in its place is not followed, not waited for, and no reason to arm.
    #[test]
    fn fault_53_and_55_what_is_no_file_in_its_place_is_an_alarm() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(LATCH_FILE);
        std::os::unix::fs::symlink("/etc/hostname", &path).unwrap();
        let told = || read_latch(folder.path()).unwrap().unwrap().record.cause.to_string();
        assert!(told().contains("symbolic link"), "{}", told());
        std::fs::remove_file(&path).unwrap();
        rustix::fs::mkfifoat(rustix::fs::CWD, &path, rustix::fs::Mode::RUSR).unwrap();
        assert!(told().contains("no regular file"), "{}", told());
    }
}
