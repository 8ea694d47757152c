//! Lines that a person typed, kept for the next time.

use std::path::PathBuf;

use rustyline::config::Configurer;
use rustyline::error::ReadlineError;
use rustyline::history::FileHistory;
use rustyline::{Editor, Helper};

use crate::failure::Failure;
use crate::state_folder::all_state;

/// Lines that are kept.
const LINES: usize = 1_000;

/// Where they are kept, as long as that works.
pub struct History(Option<PathBuf>);

impl History {
    /// Reads those of before into an editor.
    pub fn read<H: Helper>(name: &str, editor: &mut Editor<H, FileHistory>) -> Result<Self, Failure> {
        editor.set_max_history_size(LINES).map_err(terminal_failed)?;
        let path = all_state(None).map(|folder| folder.join(name));
        if let Some(path) = path.as_ref().filter(|path| path.exists())
            && let Err(error) = editor.load_history(path)
        {
            aside!("wattproof: the history in {} can't be read: {error}", path.display());
        }
        Ok(History(path))
    }

    /// Keeps a line, on the disk too; says once when that can't be done.
    pub fn keep<H: Helper>(&mut self, editor: &mut Editor<H, FileHistory>, line: &str) {
        if let Err(error) = editor.add_history_entry(line) {
            tracing::debug!(%error, "the line is not in the history");
        }
        let Some(path) = &self.0 else { return };
        let folder = path.parent().map_or(Ok(()), std::fs::create_dir_all).map_err(ReadlineError::from);
        if let Err(error) = folder.and_then(|()| editor.append_history(path)) {
            aside!("wattproof: {}: {error}; no history is kept from here on", path.display());
            self.0 = None;
        }
    }
}

/// A terminal that can't be read.
pub fn terminal_failed(error: ReadlineError) -> Failure {
    Failure::Said(format!("the terminal can't be read: {error}"))
}
