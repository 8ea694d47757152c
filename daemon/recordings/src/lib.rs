//! Recordings: the bytes of a WAV or CSV file to the channels in it.
//!
//! - **In:** anything that can be read ([`std::io::Read`]), and what part of it is [`Wanted`].
//! - **Out:** a [`Recording`] (sample rate and channels), and from it, by a [`Choice`] of channels and their
//!   scaling, the capture that `wattproof-signal` reads. Or a [`RecordingError`] that says what is wrong, in
//!   which line where there are lines, and what to do next.
//! - **Who may call it:** any room above. It opens no file and never panics, whatever the bytes are.

mod choice;
mod error;
mod rationed;
mod recording;
mod riff;
mod table;
mod times;
mod titles;
mod wav;

use std::io::Read;

pub use choice::Choice;
pub use error::RecordingError;
pub use recording::{CHANNELS_MAX, Channel, RATE_MAX_HZ, Recording, SAMPLES_MAX, Wanted};

/// Bytes looked at to tell what kind of file it is and how a table is laid out.
const HEAD_BYTES: u64 = 65_536;

/// Reads a recording, WAV or CSV by its content, whatever it is called.
pub fn read(mut source: impl Read, wanted: &Wanted) -> Result<Recording, RecordingError> {
    let mut head = Vec::new();
    source.by_ref().take(HEAD_BYTES).read_to_end(&mut head).map_err(RecordingError::Unreadable)?;
    if head.is_empty() {
        return Err(RecordingError::Empty);
    }
    let whole = head.as_slice().chain(source);
    if riff::is_wav(&head) {
        return wav::read(whole, wanted);
    }
    match foreign(&head) {
        Some(kind) => Err(RecordingError::Foreign { kind }),
        None => table::read(&head, whole, wanted),
    }
}

/// What a file is that is neither WAV nor text, by its first bytes (each format's own published mark).
fn foreign(head: &[u8]) -> Option<&'static str> {
    let marks: [(&[u8], &'static str); 9] = [
        (b"RF64", "an RF64 file that holds no WAVE"),
        (b"RIFX", "a big-endian RIFX file"),
        (b"fLaC", "a FLAC file"),
        (b"OggS", "an Ogg file"),
        (b"ID3", "an MP3 file"),
        (b"FORM", "an AIFF file"),
        (b"caff", "a CAF file"),
        (b"\xff\xfe", "UTF-16 text (UTF-8 is)"),
        (b"\xfe\xff", "UTF-16 text (UTF-8 is)"),
    ];
    let known = marks.iter().find(|(mark, _)| head.starts_with(mark)).map(|(_, kind)| *kind);
    known.or_else(|| head.contains(&0).then_some("neither WAV nor text"))
}
