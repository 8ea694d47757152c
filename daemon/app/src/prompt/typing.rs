//! The person at the prompt: a thread waits at the terminal, so that a stop or a trip never waits for a line.

use std::io::{BufRead, IsTerminal};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use rustix::termios::{OptionalActions, Termios, tcgetattr, tcsetattr};
use rustyline::error::ReadlineError;
use rustyline::history::FileHistory;
use rustyline::{CompletionType, Config, Editor};
use wattproof_bench::BenchError;
use wattproof_runs::Typist;

use super::complete::Names;
use super::pieces::is_whole;
use crate::failure::Failure;
use crate::history::{History, terminal_failed};

/// How often a stop or a trip is looked for while a person thinks.
const LOOK: Duration = Duration::from_millis(100);

const HELP: &str = "\
Type a call and Enter, as: load(#{ ohm: 4.0 });  a value is shown when it has no ; behind it.
A piece goes on while a bracket is open; Ctrl-C gives it up. Tab completes names; wattproof reference tells every function.
A slip is told and ends nothing; what exceeds a limit of the bench file ends the session with everything off, as Ctrl-D does.";

/// Who types.
pub struct Typing {
    asks: Mutex<Sender<()>>,
    typed: Mutex<Receiver<Option<String>>>,
    /// How the terminal was before.
    before: Option<Termios>,
}

impl Typing {
    /// Begins to listen to standard input.
    pub fn begin() -> Result<Self, Failure> {
        let (asks, asked) = channel();
        let (types, typed) = channel();
        let input = std::io::stdin();
        let before = if input.is_terminal() { tcgetattr(&input).ok() } else { None };
        let mut lines: Box<dyn FnMut() -> Option<String> + Send> =
            if before.is_some() { Box::new(at_terminal()?) } else { Box::new(from_pipe) };
        let listening = std::thread::Builder::new().name("typist".into()).spawn(move || {
            while asked.recv().is_ok() {
                let piece = lines();
                let ends = piece.is_none();
                if types.send(piece).is_err() || ends {
                    return;
                }
            }
        });
        listening.map_err(|source| Failure::System { what: "starting a thread", source })?;
        Ok(Typing { asks: Mutex::new(asks), typed: Mutex::new(typed), before })
    }

    /// Puts the terminal back as it was.
    pub fn leave(&self) {
        if let Some(before) = &self.before
            && let Err(error) = tcsetattr(std::io::stdin(), OptionalActions::Now, before)
        {
            tracing::warn!(%error, "the terminal is not as it was: `reset` mends it");
        }
    }
}

impl Typist for Typing {
    fn next(
        &self,
        goes_on: &mut dyn FnMut() -> Result<(), BenchError>,
    ) -> Result<Option<String>, BenchError> {
        let asked = self.asks.lock().unwrap_or_else(PoisonError::into_inner).send(());
        let typed = self.typed.lock().unwrap_or_else(PoisonError::into_inner);
        while asked.is_ok() {
            match typed.recv_timeout(LOOK) {
                Ok(piece) => return Ok(piece),
                Err(RecvTimeoutError::Disconnected) => break,
                Err(RecvTimeoutError::Timeout) => goes_on()?,
            }
        }
        Ok(None)
    }
}

/// Pieces from a person, with history and completion; Ctrl-C gives up a piece that is open, or ends.
fn at_terminal() -> Result<impl FnMut() -> Option<String> + Send, Failure> {
    let config = Config::builder().completion_type(CompletionType::List).build();
    let mut editor: Editor<Names, FileHistory> = Editor::with_config(config).map_err(terminal_failed)?;
    editor.set_helper(Some(Names::all()));
    let mut history = History::read("prompt-history", &mut editor)?;
    Ok(move || {
        let mut piece = String::new();
        loop {
            match editor.readline(if piece.is_empty() { "> " } else { ". " }) {
                Ok(line) => {
                    if !line.trim().is_empty() {
                        history.keep(&mut editor, &line);
                    }
                    if add(&mut piece, &line) {
                        return Some(piece);
                    }
                }
                Err(ReadlineError::Interrupted) if !piece.is_empty() => piece.clear(),
                Err(ReadlineError::Interrupted | ReadlineError::Eof) => return None,
                Err(error) => {
                    aside!("wattproof: {}", terminal_failed(error));
                    return None;
                }
            }
        }
    })
}

/// Pieces from a pipe.
fn from_pipe() -> Option<String> {
    let mut piece = String::new();
    for line in std::io::stdin().lock().lines() {
        match line {
            Ok(line) if add(&mut piece, &line) => return Some(piece),
            Ok(_) => {}
            Err(error) => {
                aside!("wattproof: standard input can't be read: {error}");
                return None;
            }
        }
    }
    // An open piece at the end is for the parser to complain about.
    (!piece.trim().is_empty()).then_some(piece)
}

/// Adds a line; tells whether the piece is whole.
fn add(piece: &mut String, line: &str) -> bool {
    if !piece.is_empty() {
        piece.push('\n');
    }
    piece.push_str(line);
    if piece.trim() == "help" {
        aside!("{HELP}");
        piece.clear();
        return false;
    }
    if piece.trim().is_empty() {
        piece.clear();
        return false;
    }
    is_whole(piece)
}
