//! Where a run's bytes go: the disk as a trait, so that every torn, full, slow or dying disk can be tried.
//!
//! In come paths and bytes; out goes the promise that they are on the disk, or an error. Only this crate's journal,
//! tables, captures and folder write through it.

use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{Error, ErrorKind, Read, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use rustix::fs::OFlags;

/// Longest file that is read whole, bytes: twice the longest capture.
const READ_BYTES_MAX: u64 = 2 << 30;
/// What may be done with files and folders of a run: nobody but their owner may write.
const FILE_MODE: u32 = 0o644;
const FOLDER_MODE: u32 = 0o755;

/// A write that takes longer than this counts as failed, s: a run can't go on without its record.
pub const SLOWEST_S: f64 = 5.0;
/// Slices in which that time is counted. A program that was stopped finds only the present slice over when it goes on:
/// the disk had no time to be slow in.
const SLICES: u32 = 50;

/// A file that only grows.
pub trait Growing: Send {
    /// Appends bytes in one write.
    ///
    /// # Errors
    /// The operating system's, or that the disk did not answer in time. How much was written is then unknown.
    fn append(&mut self, bytes: &[u8]) -> std::io::Result<()>;

    /// Everything appended survives a power cut once this returns.
    ///
    /// # Errors
    /// As for `append`; what was appended before is then in doubt.
    fn sync(&mut self) -> std::io::Result<()>;
}

/// A disk.
pub trait Disk: Send + Sync {
    /// Makes a folder, and those above it; `AlreadyExists` when it is there.
    ///
    /// # Errors
    /// The operating system's.
    fn make_folder(&self, path: &Path) -> std::io::Result<()>;

    /// A new file for appending; its name survives a power cut. An existing one is never overwritten.
    ///
    /// # Errors
    /// The operating system's, `AlreadyExists` among them.
    fn create(&self, path: &Path) -> std::io::Result<Box<dyn Growing>>;

    /// A new file of these bytes; both they and its name survive a power cut once this returns. An existing one is never
    /// overwritten.
    ///
    /// # Errors
    /// As for `create`, and as for [`Growing`].
    fn write_new(&self, path: &Path, bytes: &[u8]) -> std::io::Result<()> {
        let mut file = self.create(path)?;
        file.append(bytes)?;
        file.sync()
    }

    /// Opens a file for appending after its first `keep` bytes; what came after them is cut off.
    ///
    /// # Errors
    /// The operating system's.
    fn reopen(&self, path: &Path, keep: u64) -> std::io::Result<Box<dyn Growing>>;

    /// Writes a file whole or not at all: aside, synced, then moved into place.
    ///
    /// # Errors
    /// The operating system's; the file that was there before is then untouched.
    fn write_whole(&self, path: &Path, bytes: &[u8]) -> std::io::Result<()>;

    /// Everything in a file.
    ///
    /// # Errors
    /// The operating system's; that it is no regular file, or too long.
    fn read(&self, path: &Path) -> std::io::Result<Vec<u8>>;

    /// The same from its start on, as far as somebody wants to read.
    ///
    /// # Errors
    /// As for `read`.
    fn reader(&self, path: &Path) -> std::io::Result<Box<dyn Read>> {
        Ok(Box::new(std::io::Cursor::new(self.read(path)?)))
    }

    /// Removes a file.
    ///
    /// # Errors
    /// The operating system's.
    fn remove(&self, path: &Path) -> std::io::Result<()>;
}

/// The machine's own disk. A run's folder may come from another person: a link in a file's place is never followed, what
/// is no regular file not waited for.
#[derive(Debug, Clone, Copy, Default)]
pub struct MachineDisk;

impl Disk for MachineDisk {
    fn make_folder(&self, path: &Path) -> std::io::Result<()> {
        if let Some(parent) = path.parent().filter(|parent| !parent.as_os_str().is_empty()) {
            DirBuilder::new().mode(FOLDER_MODE).recursive(true).create(parent)?;
        }
        DirBuilder::new().mode(FOLDER_MODE).create(path)?;
        sync_folder_of(path)
    }

    fn create(&self, path: &Path) -> std::io::Result<Box<dyn Growing>> {
        let file = how().append(true).create_new(true).open(path)?;
        claim(&file)?;
        sync_folder_of(path)?;
        Ok(Box::new(Timed::over(file)?))
    }

    /// The disk puts the name away while it does the same with the bytes: each alone takes as long as both.
    fn write_new(&self, path: &Path, bytes: &[u8]) -> std::io::Result<()> {
        let file = how().append(true).create_new(true).open(path)?;
        claim(&file)?;
        let mut timed = Timed::over(file)?;
        timed.begin(Job::Whole(bytes.to_vec()))?;
        let named = sync_folder_of(path);
        timed.finish()?;
        named
    }

    fn reopen(&self, path: &Path, keep: u64) -> std::io::Result<Box<dyn Growing>> {
        let file = opened(path, how().append(true))?;
        claim(&file)?;
        file.set_len(keep)?;
        file.sync_all()?;
        Ok(Box::new(Timed::over(file)?))
    }

    fn write_whole(&self, path: &Path, bytes: &[u8]) -> std::io::Result<()> {
        let aside = path.with_added_extension("part");
        // What a kill left there, or somebody else put there.
        match std::fs::remove_file(&aside) {
            Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let mut file = how().write(true).create_new(true).open(&aside)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        std::fs::rename(&aside, path)?;
        sync_folder_of(path)
    }

    fn read(&self, path: &Path) -> std::io::Result<Vec<u8>> {
        let file = opened(path, how().read(true))?;
        // Asked first: a file with a hole costs its owner nothing and a reader all it says of its length.
        let length = file.metadata()?.len();
        let mut bytes = Vec::new();
        if length <= READ_BYTES_MAX {
            file.take(READ_BYTES_MAX + 1).read_to_end(&mut bytes)?;
        }
        if length.max(bytes.len() as u64) > READ_BYTES_MAX { Err(too_long()) } else { Ok(bytes) }
    }

    fn reader(&self, path: &Path) -> std::io::Result<Box<dyn Read>> {
        Ok(Box::new(opened(path, how().read(true))?))
    }

    fn remove(&self, path: &Path) -> std::io::Result<()> {
        std::fs::remove_file(path)
    }
}

fn how() -> OpenOptions {
    let mut how = File::options();
    let flags = OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::NOCTTY;
    how.mode(FILE_MODE).custom_flags(flags.bits().cast_signed());
    how
}

/// A regular file that is there.
fn opened(path: &Path, how: &OpenOptions) -> std::io::Result<File> {
    let refuse = |what: &str| Err(Error::new(ErrorKind::InvalidInput, what));
    let file = match how.open(path) {
        Err(_) if path.is_symlink() => {
            return refuse("it is a symbolic link, which no run leaves: put the file itself in its place");
        }
        opened => opened?,
    };
    if file.metadata()?.is_file() { Ok(file) } else { refuse("it is no regular file") }
}

fn too_long() -> Error {
    Error::new(
        ErrorKind::InvalidInput,
        format!("it is longer than {READ_BYTES_MAX} bytes, which no run leaves"),
    )
}

/// One writer a file: a second program must not go on with a run that is going on.
pub(crate) fn claim(file: &File) -> std::io::Result<()> {
    file.try_lock().map_err(|error| match error {
        std::fs::TryLockError::WouldBlock => {
            std::io::Error::new(std::io::ErrorKind::ResourceBusy, "another program writes it: end that first")
        }
        std::fs::TryLockError::Error(error) => error,
    })
}

/// The name of a file must survive a power cut as well as its bytes.
fn sync_folder_of(path: &Path) -> std::io::Result<()> {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => File::open(folder)?.sync_all(),
        _ => File::open(".")?.sync_all(),
    }
}

enum Job {
    Append(Vec<u8>),
    Sync,
    /// Both at once.
    Whole(Vec<u8>),
}

/// A file written by a thread of its own, so that a disk that hangs is noticed rather than waited for.
struct Timed {
    jobs: Option<SyncSender<Job>>,
    done: Receiver<std::io::Result<()>>,
    late: bool,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Timed {
    /// Waits until the file is closed, so that the next one who opens it finds it free; not for a disk that hangs.
    fn drop(&mut self) {
        drop(self.jobs.take());
        if let Some(thread) = self.thread.take().filter(|_| !self.late)
            && thread.join().is_err()
        {
            tracing::error!("the thread that writes the record had panicked");
        }
    }
}

impl Timed {
    fn over(mut file: File) -> std::io::Result<Self> {
        let (jobs, inbox) = sync_channel::<Job>(1);
        let (report, done) = sync_channel(1);
        let thread = std::thread::Builder::new().name("record writer".into()).spawn(move || {
            while let Ok(job) = inbox.recv() {
                let result = match job {
                    Job::Append(bytes) => file.write_all(&bytes),
                    Job::Sync => file.sync_data(),
                    Job::Whole(bytes) => file.write_all(&bytes).and_then(|()| file.sync_data()),
                };
                // Nobody waits for it any more: the other side said that it was too late.
                if report.send(result).is_err() {
                    return;
                }
            }
        })?;
        Ok(Timed { jobs: Some(jobs), done, late: false, thread: Some(thread) })
    }

    fn carry_out(&mut self, job: Job) -> std::io::Result<()> {
        self.begin(job)?;
        self.finish()
    }

    /// Hands a job over; [`Timed::finish`] waits for it.
    fn begin(&mut self, job: Job) -> std::io::Result<()> {
        if self.late {
            return Err(slow());
        }
        self.jobs.as_ref().ok_or_else(gone)?.send(job).map_err(|_| gone())
    }

    fn finish(&mut self) -> std::io::Result<()> {
        for _ in 0..SLICES {
            match self.done.recv_timeout(Duration::from_secs_f64(SLOWEST_S) / SLICES) {
                Ok(result) => return result,
                Err(RecvTimeoutError::Disconnected) => return Err(gone()),
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
        self.late = true;
        Err(slow())
    }
}

fn gone() -> Error {
    Error::other("the thread that writes the record has ended")
}

fn slow() -> Error {
    Error::new(ErrorKind::TimedOut, format!("the disk has not answered for {SLOWEST_S} s"))
}

impl Growing for Timed {
    fn append(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.carry_out(Job::Append(bytes.to_vec()))
    }

    fn sync(&mut self) -> std::io::Result<()> {
        self.carry_out(Job::Sync)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_existing_file_is_never_overwritten_and_a_reopened_one_keeps_what_was_asked() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        let mut file = MachineDisk.create(&path).unwrap();
        file.append(b"one two").unwrap();
        file.sync().unwrap();
        assert!(MachineDisk.create(&path).is_err());
        drop(file);
        let mut again = MachineDisk.reopen(&path, 4).unwrap();
        again.append(b"three").unwrap();
        again.sync().unwrap();
        assert_eq!(MachineDisk.read(&path).unwrap(), b"one three");
        MachineDisk.write_whole(&path, b"whole").unwrap();
        assert_eq!(MachineDisk.read(&path).unwrap(), b"whole");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left aside");
    }

    /// Fault 53: where a link stands in a file's place, nothing is read through it and nothing behind it is changed.
    #[test]
    fn fault_53_no_link_is_followed_to_read_or_to_write() {
        let folder = tempfile::tempdir().unwrap();
        let (foreign, path) = (folder.path().join("foreign"), folder.path().join("table.csv"));
        let aside = folder.path().join("table.csv.part");
        std::fs::write(&foreign, "not of this run").unwrap();
        let link = |at: &Path| std::os::unix::fs::symlink(&foreign, at).unwrap();
        link(&path);
        link(&aside);
        for error in [
            MachineDisk.read(&path).map(drop).unwrap_err(),
            MachineDisk.reader(&path).map(drop).unwrap_err(),
            MachineDisk.reopen(&path, 0).map(drop).unwrap_err(),
        ] {
            assert!(error.to_string().contains("symbolic link"), "{error}");
        }
        assert_eq!(MachineDisk.create(&path).map(drop).unwrap_err().kind(), ErrorKind::AlreadyExists);
        MachineDisk.write_whole(&path, b"a table").unwrap();
        assert_eq!(std::fs::read(&foreign).unwrap(), b"not of this run");
        assert!(!path.is_symlink() && MachineDisk.read(&path).unwrap() == b"a table");
        // What is no file at all neither.
        rustix::fs::mkfifoat(rustix::fs::CWD, &aside, rustix::fs::Mode::RWXU).unwrap();
        assert!(MachineDisk.read(&aside).unwrap_err().to_string().contains("no regular file"));
        assert!(MachineDisk.read(folder.path()).is_err());
    }

    /// Fault 52: a file that says it is a terabyte long is refused without being read.
    #[test]
    fn fault_52_a_file_longer_than_any_of_a_run_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("huge");
        File::create(&path).unwrap().set_len(1 << 40).unwrap();
        assert!(MachineDisk.read(&path).unwrap_err().to_string().contains("longer than"));
    }

    /// Fault 44: a disk that hangs ends the wait; a pipe that nobody reads stands for it.
    #[test]
    fn fault_44_a_disk_that_hangs_is_given_up() {
        let (_reader, writer) = std::io::pipe().unwrap();
        let file = File::from(std::os::fd::OwnedFd::from(writer));
        let mut timed = Timed::over(file).unwrap();
        let began = std::time::Instant::now();
        // More than any pipe holds.
        let error = timed.append(&vec![0; 1 << 22]).unwrap_err();
        assert_eq!(error.kind(), std::io::ErrorKind::TimedOut);
        assert!(began.elapsed() < Duration::from_secs_f64(2.0 * SLOWEST_S));
        assert_eq!(timed.sync().unwrap_err().kind(), std::io::ErrorKind::TimedOut, "and stays given up");
    }
}
