//! A mark on each port for as long as a guardian holds it: a new daemon must not speak on a port while the guardian of
//! one that died still sends OFF there. Ports themselves can't tell: to root they open a second time.

use std::fs::{File, Permissions, TryLockError};
use std::os::fd::AsFd;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use rustix::fs::OFlags;

/// Where locks of programs that hold devices go (Filesystem Hierarchy Standard 3.0, 5.9).
pub const LOCKS: &str = "/run/lock";
/// How often a mark is looked at.
const LOOK: Duration = Duration::from_millis(20);

/// The marks of a guardian; gone with its process, however it ends.
#[derive(Debug, Default)]
pub(crate) struct Claims {
    _files: Vec<File>,
}

impl Claims {
    /// Marks the ports behind descriptors. A machine that has no place for it goes without.
    pub fn on<'a>(ports: impl Iterator<Item = &'a std::os::fd::OwnedFd>) -> Self {
        let files = ports.filter_map(|port| {
            let number = std::os::fd::AsRawFd::as_raw_fd(&port.as_fd());
            let path = std::fs::read_link(format!("/proc/self/fd/{number}")).ok()?;
            let file = open(&mark("guardian", &path)).ok()??;
            file.try_lock().ok().map(|()| file)
        });
        Claims { _files: files.collect() }
    }
}

/// Waits until no guardian holds a port any more.
///
/// # Errors
/// When one still does after `within`: another daemon is alive.
pub fn wait_until_free(port: &Path, within: Duration) -> Result<(), String> {
    let until = Instant::now() + within;
    let Ok(path) = port.canonicalize() else { return Ok(()) };
    let mark = mark("guardian", &path);
    let opened = open(&mark).map_err(|planted| format!("{}: {planted}", port.display()))?;
    // Where no mark can be made, none was.
    let Some(file) = opened else { return Ok(()) };
    loop {
        match file.try_lock() {
            Err(TryLockError::WouldBlock) if Instant::now() < until => std::thread::sleep(LOOK),
            Err(TryLockError::WouldBlock) => {
                let holder = holder_of(&file).map_or_else(String::new, |holder| format!(", {holder},"));
                return Err(format!(
                    "{}: the guardian of another daemon{holder} holds this port by {}: end that daemon first",
                    port.display(),
                    mark.display()
                ));
            }
            // Dropping the file lets go of it again.
            Ok(()) | Err(TryLockError::Error(_)) => return Ok(()),
        }
    }
}

/// Something else than a lock stands in a lock's place. The folder is everybody's: another user may have put it there.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "its lock {path} {what}: nothing was done on the bench; find out who put it there, and remove it (as root, if it is another user's)"
)]
pub struct Planted {
    /// Where the lock should be.
    pub path: PathBuf,
    /// What is there.
    pub what: String,
}

/// How a file in a place open to every user is opened: no link is followed, no pipe waited for.
pub(crate) const UNFOLLOWED: OFlags = OFlags::NOFOLLOW.union(OFlags::NONBLOCK).union(OFlags::NOCTTY);

/// A file that any user may lock and only its owner write: it holds nothing but a name. None where this machine has no
/// place for it.
///
/// # Errors
/// [`Planted`], and nothing behind it was touched.
pub(crate) fn open(path: &Path) -> Result<Option<File>, Planted> {
    let flags = UNFOLLOWED.bits().cast_signed();
    let mut how = File::options();
    how.read(true).write(true).mode(0o644).custom_flags(flags);
    if let Ok(file) = how.clone().create_new(true).open(path) {
        // Whatever this user's files are otherwise: a file that others can't open they would take for a planted one.
        let _lockable = file.set_permissions(Permissions::from_mode(0o644));
        return Ok(Some(file));
    }
    let planted = |what: &str| Planted { path: path.into(), what: what.into() };
    let Ok(about) = path.symlink_metadata() else { return Ok(None) };
    if !about.is_file() || about.nlink() != 1 {
        return Err(planted("is no plain file but a link, a pipe or the like"));
    }
    // What another user has made can be locked, if not written.
    let opened = how.open(path).or_else(|_| File::options().read(true).custom_flags(flags).open(path));
    let Ok(file) = opened else {
        return Err(planted(&format!("belongs to user {} and can't be opened", about.uid())));
    };
    // Once more of what was opened: it may have been exchanged meanwhile.
    match file.metadata() {
        Ok(about) if about.is_file() && about.nlink() == 1 => Ok(Some(file)),
        _ => Err(planted("was exchanged while it was opened")),
    }
}

/// The process that holds the lock on a file, as the kernel tells (proc(5), `/proc/locks`), and whose it is: what the
/// file itself says was written by whoever could.
pub(crate) fn holder_of(file: &File) -> Option<Holder> {
    let about = file.metadata().ok()?;
    let device = about.dev();
    let id = format!("{:02x}:{:02x}:{}", rustix::fs::major(device), rustix::fs::minor(device), about.ino());
    let locks = std::fs::read_to_string("/proc/locks").ok()?;
    let line = locks
        .lines()
        .find(|line| line.contains(" FLOCK ") && line.split_whitespace().any(|word| word == id))?;
    let process = line.split_whitespace().nth(4)?.parse().ok()?;
    let user = std::fs::metadata(format!("/proc/{process}")).ok()?.uid();
    Some(Holder { process, user })
}

/// Who holds a lock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Holder {
    pub process: u32,
    pub user: u32,
}

impl std::fmt::Display for Holder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "process {} of user {}", self.process, self.user)
    }
}

/// The file that is locked while somebody of this kind holds a port.
pub(crate) fn mark(kind: &str, port: &Path) -> PathBuf {
    // FNV-1a, 64 bits (its published constants).
    let bytes = port.as_os_str().as_bytes().iter();
    let hash = bytes.fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3)
    });
    folder().join(format!("wattproof-{kind}-{hash:016x}"))
}

/// How the names of all marks of daemons begin.
pub(crate) const DAEMON_MARKS: &str = "wattproof-daemon-";

/// Where marks are.
pub(crate) fn folder() -> PathBuf {
    let folder = Path::new(LOCKS);
    if folder.is_dir() { folder.to_path_buf() } else { std::env::temp_dir() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_is_free_once_its_guardian_has_ended() {
        let folder = tempfile::tempdir().unwrap();
        let port = folder.path().join("port");
        let file: std::os::fd::OwnedFd = File::create(&port).unwrap().into();
        let short = Duration::from_millis(60);
        wait_until_free(&port, short).unwrap();
        let claims = Claims::on([&file].into_iter());
        assert!(wait_until_free(&port, short).unwrap_err().contains("another daemon"));
        drop(claims);
        wait_until_free(&port, short).unwrap();
        std::fs::remove_file(mark("guardian", &port)).unwrap();
    }

    /// Fault 55: in a folder that is everybody's, what another user has put in a lock's place is neither followed nor
    /// written, and does not make a daemon go without.
    #[test]
    fn fault_55_what_stands_in_a_locks_place_is_refused_and_untouched() {
        let folder = tempfile::tempdir().unwrap();
        let port = folder.path().join("port");
        let foreign = folder.path().join("foreign");
        std::fs::write(&port, "").unwrap();
        std::fs::write(&foreign, "not a lock").unwrap();
        for kind in ["daemon", "guardian"] {
            let place = mark(kind, &port);
            let refused = || match kind {
                "daemon" => crate::hold([port.as_path()].into_iter(), "bench").unwrap_err().to_string(),
                _ => wait_until_free(&port, Duration::from_millis(20)).unwrap_err(),
            };
            std::os::unix::fs::symlink(&foreign, &place).unwrap();
            assert!(refused().contains("is no plain file"), "{}", refused());
            std::fs::remove_file(&place).unwrap();
            // The same file by another name; only where both are on one file system.
            if std::fs::hard_link(&foreign, &place).is_ok() {
                assert!(refused().contains("is no plain file"), "{}", refused());
                std::fs::remove_file(&place).unwrap();
            }
            rustix::fs::mkfifoat(rustix::fs::CWD, &place, rustix::fs::Mode::RWXU).unwrap();
            assert!(refused().contains("is no plain file"), "{}", refused());
            std::fs::remove_file(&place).unwrap();
        }
        assert_eq!(std::fs::read(&foreign).unwrap(), b"not a lock");
    }
}
