//! What no panic tells of: an input that never comes to its end, one that takes all memory, one that kills the process.

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use rustix::process::{Resource, Rlimit, setrlimit};

/// Memory that the process may take, bytes: far more than any reader needs for inputs of this size.
pub const MEMORY_BYTES: u64 = 3 << 30;

/// Takes more memory than [`MEMORY_BYTES`] for a fault: the process ends there.
///
/// # Errors
/// The operating system's.
pub fn bound_memory() -> io::Result<()> {
    setrlimit(Resource::Data, Rlimit { current: Some(MEMORY_BYTES), maximum: Some(MEMORY_BYTES) })?;
    Ok(())
}

struct AtHand {
    input: Vec<u8>,
    since: Option<Instant>,
    ended: bool,
}

/// Keeps the input at hand in a file, so that it is there when the process is gone, and ends the process when it takes
/// too long.
pub struct Watch {
    file: File,
    path: PathBuf,
    at_hand: Arc<Mutex<AtHand>>,
}

impl Watch {
    /// Watches over inputs that may take `longest`; keeps them as `name` in a folder.
    ///
    /// # Errors
    /// The operating system's.
    pub fn begin(folder: &Path, name: &str, longest: Duration) -> io::Result<Self> {
        std::fs::create_dir_all(folder)?;
        let path = folder.join(format!("{name}-at-hand"));
        let file = File::create(&path)?;
        let at_hand = Arc::new(Mutex::new(AtHand { input: Vec::new(), since: None, ended: false }));
        let (watched, slow) = (Arc::clone(&at_hand), folder.join(format!("{name}-slow")));
        std::thread::Builder::new().name("watch".into()).spawn(move || {
            loop {
                std::thread::sleep(Duration::from_millis(200));
                let at_hand = watched.lock().unwrap_or_else(PoisonError::into_inner);
                if at_hand.ended {
                    return;
                }
                if at_hand.since.is_some_and(|since| since.elapsed() > longest) {
                    let kept = std::fs::write(&slow, &at_hand.input);
                    eprintln!("an input takes longer than {longest:?}: {} ({kept:?})", slow.display());
                    std::process::exit(3);
                }
            }
        })?;
        Ok(Self { file, path, at_hand })
    }

    /// An input is about to be tried.
    ///
    /// # Errors
    /// The operating system's.
    pub fn enter(&mut self, input: &[u8]) -> io::Result<()> {
        self.file.set_len(input.len() as u64)?;
        self.file.write_all_at(input, 0)?;
        let mut at_hand = self.at_hand.lock().unwrap_or_else(PoisonError::into_inner);
        at_hand.input.clear();
        at_hand.input.extend_from_slice(input);
        at_hand.since = Some(Instant::now());
        Ok(())
    }

    /// It came to its end; how long it took.
    pub fn leave(&mut self) -> Duration {
        let mut at_hand = self.at_hand.lock().unwrap_or_else(PoisonError::into_inner);
        at_hand.since.take().map_or(Duration::ZERO, |since| since.elapsed())
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.at_hand.lock().unwrap_or_else(PoisonError::into_inner).ended = true;
        if let Err(error) = std::fs::remove_file(&self.path) {
            eprintln!("{}: {error}; remove it by hand", self.path.display());
        }
    }
}
