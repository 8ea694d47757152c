//! A mark on each port for as long as a guardian holds it: a new daemon must not speak on a port while the guardian of
//! one that died still sends OFF there. Ports themselves can't tell: to root they open a second time.

use std::fs::{File, TryLockError};
use std::os::fd::AsFd;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Where locks of programs that hold devices go (Filesystem Hierarchy Standard 3.0, 5.9).
const LOCKS: &str = "/run/lock";
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
            let file = open(&mark("guardian", &path)).ok()?;
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
    // Where no mark can be made, none was.
    let Ok(file) = open(&mark("guardian", &path)) else { return Ok(()) };
    loop {
        match file.try_lock() {
            Err(TryLockError::WouldBlock) if Instant::now() < until => std::thread::sleep(LOOK),
            Err(TryLockError::WouldBlock) => {
                return Err(format!(
                    "{}: the guardian of another daemon holds this port: end that daemon first",
                    port.display()
                ));
            }
            // Dropping the file lets go of it again.
            Ok(()) | Err(TryLockError::Error(_)) => return Ok(()),
        }
    }
}

/// Any user may lock it: it holds nothing but a name.
pub(crate) fn open(path: &Path) -> std::io::Result<File> {
    let created = File::options().read(true).write(true).create_new(true).open(path);
    match created {
        Ok(file) => {
            file.set_permissions(std::fs::Permissions::from_mode(0o666))?;
            Ok(file)
        }
        // What another user has made can be locked, if not written.
        Err(_) => File::options().read(true).write(true).open(path).or_else(|_| File::open(path)),
    }
}

/// The file that is locked while somebody of this kind holds a port.
pub(crate) fn mark(kind: &str, port: &Path) -> PathBuf {
    let folder = Path::new(LOCKS);
    let folder = if folder.is_dir() { folder.to_path_buf() } else { std::env::temp_dir() };
    // FNV-1a, 64 bits (its published constants).
    let bytes = port.as_os_str().as_bytes().iter();
    let hash = bytes.fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3)
    });
    folder.join(format!("wattproof-{kind}-{hash:016x}"))
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
}
