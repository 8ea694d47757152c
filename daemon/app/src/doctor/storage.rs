//! Where results go: can it be written, does it keep what it is given, is there room?

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::finding::Finding;
use crate::machine::Machine;

/// Least room, bytes: 1 GiB.
const ROOM_BYTES_MIN: u64 = 1 << 30;
/// A sync that takes longer holds up every step.
const SYNC_MAX: Duration = Duration::from_millis(100);
const ABOUT: &str = "results";
/// File systems on other machines, which may be gone, or may say that something is kept when it is not.
const REMOTE: [&str; 8] = ["nfs", "nfs4", "cifs", "smb3", "9p", "fuse.sshfs", "ceph", "afs"];
/// File systems that live in memory.
const IN_MEMORY: [&str; 2] = ["tmpfs", "ramfs"];

pub fn storage(machine: &Machine, results: &Path) -> Vec<Finding> {
    let Some(folder) = existing(results) else {
        let found = format!("no part of {} is there", results.display());
        return vec![Finding::fix(ABOUT, found, "name another folder with --out")];
    };
    let mut findings = vec![written(&folder)];
    match rustix::fs::statvfs(&folder) {
        Ok(there) => findings.push(room(&folder, there.f_bavail.saturating_mul(there.f_frsize))),
        Err(error) => {
            let found = format!("the room in {} can't be told: {error}", folder.display());
            findings.push(Finding::warning(ABOUT, found, "see that at least 1 GiB is free"));
        }
    }
    let mounts = machine.text("/proc/self/mountinfo").unwrap_or_default();
    let whole = std::fs::canonicalize(&folder).unwrap_or(folder);
    findings.extend(kind(&whole, &mounts));
    findings
}

/// The folder, or the nearest one above it that exists already.
fn existing(results: &Path) -> Option<PathBuf> {
    let whole = std::path::absolute(results).ok()?;
    whole.ancestors().find(|path| path.is_dir()).map(Path::to_path_buf)
}

/// Writes and syncs a file, and takes it away again.
fn written(folder: &Path) -> Finding {
    let started = Instant::now();
    let tried = tempfile::NamedTempFile::new_in(folder).and_then(|mut file| {
        file.write_all(&[b'w'; 4096])?;
        file.as_file().sync_all()
    });
    synced(folder, tried.map(|()| started.elapsed()))
}

fn synced(folder: &Path, tried: std::io::Result<Duration>) -> Finding {
    let folder = folder.display();
    match tried {
        Ok(took) if took <= SYNC_MAX => Finding::ok(
            ABOUT,
            format!("{folder} takes a file and syncs it in {:.1} ms", took.as_secs_f64() * 1e3),
        ),
        Ok(took) => Finding::warning(
            ABOUT,
            format!(
                "{folder} takes {:.0} ms to sync a file, which every step waits for",
                took.as_secs_f64() * 1e3
            ),
            "use a faster disk, or keep other programs off it",
        ),
        Err(error) => Finding::fix(
            ABOUT,
            format!("{folder} does not take a file and sync it: {error}"),
            "give this user a folder that can be written: --out",
        ),
    }
}

fn room(folder: &Path, bytes: u64) -> Finding {
    let (found, gib) = (folder.display(), bytes as f64 / f64::from(1 << 30));
    if bytes >= ROOM_BYTES_MIN {
        Finding::ok(ABOUT, format!("{found} has {gib:.1} GiB free"))
    } else {
        Finding::fix(ABOUT, format!("{found} has only {gib:.2} GiB free"), "free at least 1 GiB")
    }
}

/// The kind of file system a folder is on, from mountinfo (proc(5)).
fn kind(folder: &Path, mounts: &str) -> Option<Finding> {
    let on = mounts.lines().filter_map(|line| {
        let (place, rest) = line.split_once(" - ")?;
        let point = place.split(' ').nth(4)?.replace("\\040", " ");
        folder.starts_with(&point).then_some((point.len(), rest.split(' ').next()?))
    });
    // The deepest mount wins; of two on one point, the later.
    let (_, kind) = on.max_by_key(|(depth, _)| *depth)?;
    let folder = folder.display();
    if REMOTE.contains(&kind) {
        let found = format!("{folder} is on another machine ({kind}): a run would end when the network does");
        Some(Finding::fix(ABOUT, found, "record on a local disk and copy afterwards"))
    } else if IN_MEMORY.contains(&kind) {
        let found = format!("{folder} is in memory ({kind}): it is lost with the power");
        Some(Finding::fix(ABOUT, found, "record on a disk: --out"))
    } else {
        Some(Finding::ok(ABOUT, format!("{folder} is on a local disk ({kind})")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doctor::finding::Level;

    const MOUNTS: &str = "22 1 8:1 / / rw - ext4 /dev/sda1 rw\n\
                          30 22 0:40 / /srv/share rw shared:1 - nfs4 box:/x rw\n\
                          31 22 0:41 / /tmp rw - tmpfs tmpfs rw\n";

    #[test]
    fn the_deepest_mount_tells_the_kind() {
        let level = |path: &str| kind(Path::new(path), MOUNTS).unwrap().level;
        assert_eq!(level("/home/x"), Level::Ok);
        assert_eq!(level("/srv/share/results"), Level::Fix);
        assert_eq!(level("/srv/shared"), Level::Ok, "another name that begins alike");
        assert_eq!(level("/tmp/results"), Level::Fix);
    }

    #[test]
    fn room_and_sync_are_judged() {
        let here = Path::new("/x");
        assert_eq!(room(here, 2 << 30).level, Level::Ok);
        assert_eq!(room(here, 1 << 29).level, Level::Fix);
        assert_eq!(synced(here, Ok(Duration::from_millis(5))).level, Level::Ok);
        assert_eq!(synced(here, Ok(Duration::from_millis(500))).level, Level::Warning);
        assert_eq!(synced(here, Err(std::io::Error::other("full"))).level, Level::Fix);
    }

    #[test]
    fn a_folder_yet_to_be_made_is_judged_by_the_one_above() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(existing(&folder.path().join("a/b")).unwrap(), folder.path());
        assert_ne!(written(folder.path()).level, Level::Fix);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "nothing is left behind");
    }
}
