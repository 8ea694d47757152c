//! One daemon a port: whoever opens a bench holds a lock for each of its ports, and tells who it is in it. Ports
//! themselves can't: to root they open a second time, and they don't say by whom they are held.

use std::fs::{File, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use crate::claim::{DAEMON_MARKS, Planted, UNFOLLOWED, folder, holder_of, mark, open};

/// Longest text about a holder that is read from its lock, bytes.
const WHO_BYTES_MAX: u64 = 500;

/// Ports held; free again when dropped, and when the process ends, however it does.
#[derive(Debug, Default)]
pub struct Held {
    _files: Vec<File>,
}

/// Why a port can't be held.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotHeld {
    /// Another program holds it.
    #[error("{port}: held by {holder}: end that first, or wait until it has finished")]
    ByAnother {
        /// The port.
        port: String,
        /// Who it is, and what it says of itself.
        holder: String,
    },
    /// Something else than a lock stands in its place.
    #[error("{port}: {planted}")]
    Planted {
        /// The port.
        port: String,
        /// What.
        planted: Planted,
    },
}

/// Holds ports for this process, at once or not at all. `what_for` tells others what this process does with them. A
/// port that is not there is left to whoever opens it; a machine without a place for locks goes without.
///
/// # Errors
/// [`NotHeld`], which names the other process, or what stands in the lock's place.
pub fn hold<'a>(ports: impl Iterator<Item = &'a Path>, what_for: &str) -> Result<Held, NotHeld> {
    let mut files = Vec::new();
    for port in ports {
        let path = match port.canonicalize() {
            Ok(path) => path,
            // What is no path, such as a host and its port, is its own name.
            Err(_) if port.is_relative() => port.to_path_buf(),
            Err(_) => continue,
        };
        let (name, place) = (|| port.display().to_string(), mark("daemon", &path));
        let opened = open(&place).map_err(|planted| NotHeld::Planted { port: name(), planted })?;
        let Some(mut file) = opened else { continue };
        match file.try_lock() {
            Ok(()) => {
                // Who can't write into a lock that another user made still holds it.
                let _told = tell(&mut file, what_for);
                files.push(file);
            }
            Err(TryLockError::WouldBlock) => {
                return Err(NotHeld::ByAnother { port: name(), holder: holder(&mut file, &place) });
            }
            // A file system without locks goes without, as for the guardian's marks.
            Err(TryLockError::Error(_)) => {}
        }
    }
    Ok(Held { _files: files })
}

/// Which program of this kind holds a port, in its own words, without taking the lock even for a moment: from the
/// kernel's list of locks (`proc_locks(5)`). None where nobody does, or the list can't be read.
pub fn held_by(port: &Path) -> Option<String> {
    let path = port.canonicalize().unwrap_or_else(|_| port.to_path_buf());
    let place = mark("daemon", &path);
    let mut file =
        File::options().read(true).custom_flags(UNFOLLOWED.bits().cast_signed()).open(&place).ok()?;
    holder_of(&file)?;
    Some(holder(&mut file, &place))
}

/// A process that holds ports of benches.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holding {
    /// Its number.
    pub process: u32,
    /// Whose it is.
    pub user: u32,
    /// What it says that it does with them.
    pub what_for: String,
}

/// Every process of this machine that holds a port by a lock of this kind, once for each thing that it does with ports;
/// from the kernel's list of locks (`proc_locks(5)`), without taking one.
///
/// # Errors
/// The folder of locks can't be read.
pub fn all_holding() -> std::io::Result<Vec<Holding>> {
    let mut holding: Vec<Holding> = Vec::new();
    for entry in std::fs::read_dir(folder())? {
        let entry = entry?;
        if !entry.file_name().to_string_lossy().starts_with(DAEMON_MARKS) {
            continue;
        }
        let flags = UNFOLLOWED.bits().cast_signed();
        // One that another user made unreadable, or that has gone meanwhile, tells nothing.
        let Ok(mut file) = File::options().read(true).custom_flags(flags).open(entry.path()) else {
            continue;
        };
        let Some(holder) = holder_of(&file) else { continue };
        let said = said_in(&mut file);
        let own = format!("process {} (", holder.process);
        let what_for = said.strip_prefix(&own).and_then(|rest| rest.strip_suffix(')')).unwrap_or_default();
        let one = Holding { process: holder.process, user: holder.user, what_for: what_for.into() };
        if !holding.contains(&one) {
            holding.push(one);
        }
    }
    Ok(holding)
}

fn said_in(file: &mut File) -> String {
    let mut who = String::new();
    match file.take(WHO_BYTES_MAX).read_to_string(&mut who) {
        Ok(_) => who.chars().filter(|c| !c.is_control()).collect(),
        Err(_) => String::new(),
    }
}

fn tell(file: &mut File, what_for: &str) -> std::io::Result<()> {
    file.set_len(0)?;
    file.seek(SeekFrom::Start(0))?;
    write!(file, "process {} ({what_for})", std::process::id())
}

/// Who holds it: what is written there if that names the process that the kernel names too, and that is this user's.
fn holder(file: &mut File, place: &Path) -> String {
    let told = said_in(file);
    let told = if told.is_empty() { "another program of this kind".into() } else { told };
    let us = rustix::process::geteuid().as_raw();
    match holder_of(file) {
        Some(holder) if holder.user != us => format!(
            "{holder}, another one than this (it says: {told:?}; lock {}; if that is no daemon of this bench, have its owner or root end it)",
            place.display()
        ),
        Some(holder) if !told.starts_with(&format!("process {} ", holder.process)) => {
            format!("{holder} (it says: {told:?}; lock {})", place.display())
        }
        _ => told,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fault 47: a second daemon is told at once who holds the port; a lock is a process's, or a handle's, alone.
    #[test]
    fn fault_47_a_port_is_held_by_one_and_names_it() {
        let folder = tempfile::tempdir().unwrap();
        let ports = ["a", "b", "c"].map(|name| folder.path().join(name));
        ports.iter().for_each(|port| std::fs::write(port, "").unwrap());
        let [a, b, c] = ports.each_ref().map(|port| port.as_path());
        let first = hold([a, b].into_iter(), "bench \"one\"").unwrap();
        let refused = hold([c, b].into_iter(), "bench \"two\"").unwrap_err();
        let holder = format!("process {} (bench \"one\")", std::process::id());
        assert_eq!(refused, NotHeld::ByAnother { port: b.display().to_string(), holder });
        assert_eq!(
            held_by(b),
            Some(format!("process {} (bench \"one\")", std::process::id())),
            "told without taking the lock"
        );
        assert_eq!(held_by(c), None);
        let own = Holding {
            process: std::process::id(),
            user: rustix::process::geteuid().as_raw(),
            what_for: "bench \"one\"".into(),
        };
        let all = all_holding().unwrap();
        assert_eq!(
            all.iter().filter(|one| **one == own).count(),
            1,
            "once, though it holds two ports: {all:?}"
        );
        // All or nothing: what it had before the refusal is free again.
        let third = hold([c].into_iter(), "bench \"three\"").unwrap();
        drop(first);
        let again = hold([a, b].into_iter(), "a").unwrap();
        let refused = hold([b].into_iter(), "bench \"two\"").unwrap_err();
        assert!(
            refused.to_string().contains("(a): end that"),
            "nothing of the longer text before is left: {refused}"
        );
        drop((third, again));
        for port in [a, b, c] {
            std::fs::remove_file(mark("daemon", port)).unwrap();
        }
        // A port that is not there is no reason to refuse.
        hold([folder.path().join("none").as_path()].into_iter(), "bench").unwrap();
    }
}
