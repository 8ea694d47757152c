//! Making a damaged catalogue anew. What was there is kept beside it.

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::catalogue::Catalogue;
use crate::error::{Error, Result};
use crate::place::Place;

/// What SQLite keeps beside its file. Moved first: a log without its file is harmless, one beside a new file is not.
const BESIDE: [&str; 3] = ["-wal", "-shm", ""];

impl Catalogue {
    /// Moves a file that is no good aside and opens an empty one in its place. Gives back what it moved to, if there was
    /// one. Nothing is deleted. To be called when nobody has it open; what waited in its outbox waits in the old file, so
    /// every run should be queued anew once they are all put.
    ///
    /// # Errors
    /// [`Error::Place`] of a database on a server, whose keeper makes a new one; [`Error::File`] of what can't be moved.
    pub async fn rebuild(place: &Place) -> Result<(Self, Option<PathBuf>)> {
        let moved = aside(place)?;
        if let Some(moved) = &moved {
            tracing::warn!(%place, kept = %moved.display(), "the catalogue was put aside; it has to be made anew");
        }
        Ok((Self::open(place).await?, moved))
    }
}

fn aside(place: &Place) -> Result<Option<PathBuf>> {
    let path = place.path().ok_or_else(|| Error::Place {
        why: format!(
            "{place} is a database on a server: its keeper makes a new one, and every run is queued for that"
        ),
    })?;
    let aside = free(path);
    let mut moved = None;
    for end in BESIDE {
        let (from, to) = (with_end(path, end), with_end(&aside, end));
        match fs::rename(&from, &to) {
            Ok(()) if end.is_empty() => moved = Some(to),
            Ok(()) => {}
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(source) => return Err(Error::File { what: "putting aside", path: from, source }),
        }
    }
    Ok(moved)
}

fn with_end(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

/// A name beside it that says when, and that nothing has yet.
fn free(path: &Path) -> PathBuf {
    let now = chrono::Utc::now().format("%Y%m%dT%H%M%SZ");
    let mut aside = with_end(path, &format!(".aside-{now}"));
    let mut number = 2;
    while BESIDE.iter().any(|end| with_end(&aside, end).exists()) {
        aside = with_end(path, &format!(".aside-{now}-{number}"));
        number += 1;
    }
    aside
}
