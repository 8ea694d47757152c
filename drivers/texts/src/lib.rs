//! Text files that a person names: bench, nameplate, dialect, script, faults.
//!
//! What the room is for: a path in a file or on the command line may lead anywhere, to a device that never ends or a
//! pipe that never begins. Comes in: a path. Goes out: its text, or an error in words that a caller puts behind the
//! path. Who may call it: whoever reads such a file; there is no other way to read one.

use std::fs::File;
use std::io::{Error, ErrorKind, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// Longest text, bytes: a hundred times the longest that ships.
pub const TEXT_BYTES_MAX: u64 = 1 << 20;

/// The text of a regular file, of no more than [`TEXT_BYTES_MAX`].
///
/// # Errors
/// The operating system's; that it is no regular file, too long, or not UTF-8.
pub fn read_text(path: &Path) -> std::io::Result<String> {
    let refuse = |what: String| Err(Error::new(ErrorKind::InvalidInput, what));
    // Opening a pipe would otherwise wait for whoever writes into it, and a terminal become this process's own.
    let flags = rustix::fs::OFlags::NONBLOCK | rustix::fs::OFlags::NOCTTY;
    let file = File::options().read(true).custom_flags(flags.bits().cast_signed()).open(path)?;
    if !file.metadata()?.is_file() {
        return refuse("it is no regular file".into());
    }
    let mut bytes = Vec::new();
    // One more than allowed: what a file says of its size need not be true, as under /proc.
    file.take(TEXT_BYTES_MAX + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > TEXT_BYTES_MAX {
        return refuse(format!("it is longer than {TEXT_BYTES_MAX} bytes, which none of its kind needs"));
    }
    String::from_utf8(bytes).or_else(|error| {
        let at = error.utf8_error().valid_up_to();
        refuse(format!("it is not text in UTF-8, from its byte {} on", at + 1))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(path: &Path) -> String {
        read_text(path).unwrap_err().to_string()
    }

    #[test]
    fn a_regular_file_is_read_up_to_the_bound_and_no_further() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("text");
        std::fs::write(&path, "Ω = 4").unwrap();
        assert_eq!(read_text(&path).unwrap(), "Ω = 4");
        let link = folder.path().join("link");
        std::os::unix::fs::symlink(&path, &link).unwrap();
        assert_eq!(read_text(&link).unwrap(), "Ω = 4", "a link to a regular file is one");
        let most = usize::try_from(TEXT_BYTES_MAX).unwrap();
        std::fs::write(&path, "a".repeat(most)).unwrap();
        assert_eq!(read_text(&path).unwrap().len(), most);
        std::fs::write(&path, "a".repeat(most + 1)).unwrap();
        assert!(told(&path).contains("longer than 1048576 bytes"), "{}", told(&path));
        std::fs::write(&path, b"abc\xff").unwrap();
        assert!(told(&path).contains("from its byte 4 on"), "{}", told(&path));
        assert_eq!(read_text(&folder.path().join("none")).unwrap_err().kind(), ErrorKind::NotFound);
    }

    #[test]
    fn devices_pipes_and_folders_are_refused_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let pipe = folder.path().join("pipe");
        rustix::fs::mkfifoat(rustix::fs::CWD, &pipe, rustix::fs::Mode::RWXU).unwrap();
        for path in [Path::new("/dev/zero"), Path::new("/dev/tty"), &pipe, folder.path()] {
            let said = told(path);
            // Where a process has no terminal, it can't even be opened.
            let none = path == Path::new("/dev/tty") && said.contains("os error");
            assert!(none || said.contains("no regular file"), "{}: {said}", path.display());
        }
    }
}
