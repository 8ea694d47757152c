//! What can go wrong with a catalogue, where, and what to do next. No text here ever holds a password.

use std::path::PathBuf;

/// What a catalogue could not do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// What was named as a place is none.
    #[error("{why}; name a file by its path, or a server by postgres://user@host/database")]
    Place {
        /// What is wrong with it.
        why: String,
    },
    /// The database does not answer or lets nobody in.
    #[error(
        "the catalogue at {place} can't be reached: {why}; see that it runs and lets you in. Nothing was changed"
    )]
    Unreachable {
        /// Where, without its password.
        place: String,
        /// What it or the system said.
        why: String,
    },
    /// The file is broken: it was cut short, overwritten, or changed by hand.
    #[error(
        "the catalogue at {place} is damaged: {why}; put it aside and make it anew from the runs' folders"
    )]
    Damaged {
        /// Where.
        place: String,
        /// What was found.
        why: String,
    },
    /// A database, but not a catalogue.
    #[error(
        "what is at {place} is not a catalogue of this program: {why}; name another place, or put it aside"
    )]
    Foreign {
        /// Where.
        place: String,
        /// What was found.
        why: String,
    },
    /// Made by a newer version of this program.
    #[error(
        "the catalogue at {place} is of version {found}, and this program knows {known}; use the newer program, or \
         put it aside and make it anew from the runs' folders"
    )]
    Newer {
        /// Where.
        place: String,
        /// Version of the tables found.
        found: i64,
        /// The last version that this program knows.
        known: i64,
    },
    /// Another program kept the catalogue locked for too long.
    #[error("{what}: the catalogue at {place} is held by another program; try again when that is done")]
    Busy {
        /// Where.
        place: String,
        /// What was being done.
        what: &'static str,
    },
    /// No answer in time.
    #[error(
        "{what}: the catalogue at {place} gave no answer within {limit_s} s; nothing of it was kept, try again"
    )]
    TimedOut {
        /// Where.
        place: String,
        /// What was being done.
        what: &'static str,
        /// How long was waited, s.
        limit_s: f64,
    },
    /// An entry that no catalogue takes.
    #[error("the run {key} can't be put into a catalogue: {why}; none of the entries given with it was put")]
    Unfit {
        /// Key of the run, as much of it as can be shown.
        key: String,
        /// What is wrong with it.
        why: String,
    },
    /// A queued entry that can't be read.
    #[error(
        "entry {seq} for {place} waits in the catalogue but can't be read: {why}; queue every run anew for that place"
    )]
    Queued {
        /// For which place.
        place: String,
        /// Its number.
        seq: u64,
        /// What is wrong with it.
        why: String,
    },
    /// The database refused something.
    #[error("{what}: the catalogue at {place} refused: {why}")]
    Failed {
        /// Where.
        place: String,
        /// What was being done.
        what: &'static str,
        /// What the database said.
        why: String,
    },
    /// A file could not be looked at or moved.
    #[error("{what} {}: {source}", path.display())]
    File {
        /// What was being done.
        what: &'static str,
        /// To which file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

/// What a catalogue gives back.
pub type Result<T> = std::result::Result<T, Error>;
