//! Whether a state folder is this user's alone. Another user who could write there would take a latch away before
//! anybody has looked at the bench, or make one up.
//!
//! The rule is that of sshd for a user's keys (`StrictModes`, sshd_config(5)): neither the folder, nor what is in it, nor
//! a folder above it may be written by others; above it, a folder from which nobody removes what is another's will do.

use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::Path;

use super::LatchError;

const ROOT: u32 = 0;
const GROUP_WRITES: u32 = 0o020;
const OTHERS_WRITE: u32 = 0o002;
const STICKY: u32 = 0o1000;

/// Refuses a folder that another user than this process's and root can write.
pub(super) fn check(folder: &Path) -> Result<(), LatchError> {
    let io = |path: &Path| {
        let path = path.to_path_buf();
        move |source| LatchError::Io { path, source }
    };
    // Whose a link on the way is, may lead it elsewhere.
    let named = std::path::absolute(folder).map_err(io(folder))?;
    named.ancestors().try_for_each(|on_the_way| judge(on_the_way, 0))?;
    let folder = folder.canonicalize().map_err(io(folder))?;
    judge(&folder, GROUP_WRITES | OTHERS_WRITE)?;
    for entry in std::fs::read_dir(&folder).map_err(io(&folder))? {
        judge(&entry.map_err(io(&folder))?.path(), GROUP_WRITES | OTHERS_WRITE)?;
    }
    // A group of one's own above it is common; whoever is in it is trusted with the home.
    folder.ancestors().skip(1).try_for_each(|above| judge(above, OTHERS_WRITE))
}

fn judge(path: &Path, unwanted: u32) -> Result<(), LatchError> {
    let about = match path.symlink_metadata() {
        Ok(about) => about,
        // Gone since it was listed.
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(source) => return Err(LatchError::Io { path: path.into(), source }),
    };
    let not_private = |what: String| Err(LatchError::NotPrivate { path: path.into(), what });
    let us = rustix::process::geteuid().as_raw();
    if ![ROOT, us].contains(&about.uid()) {
        return not_private(format!("belongs to user {}, not to this one ({us}) or root", about.uid()));
    }
    let mode = about.permissions().mode();
    let kept = about.is_symlink() || (about.is_dir() && mode & STICKY != 0);
    if mode & unwanted != 0 && !kept {
        return not_private(format!("can be written by other users (mode {:o})", mode & 0o7777));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use std::fs::Permissions;

    use super::*;

    /// Fault 55: what others can write is refused with its name; what only its owner can is not.
    #[test]
    fn fault_55_a_state_folder_that_others_can_write_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let (above, state) = (folder.path().join("above"), folder.path().join("above/state"));
        std::fs::create_dir_all(&state).unwrap();
        let file = state.join("latch.json");
        std::fs::write(&file, "").unwrap();
        let set = |path: &Path, mode| std::fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
        for (path, harmless) in [(&above, 0o755), (&state, 0o700), (&file, 0o600)] {
            set(path, harmless);
        }
        check(&state).unwrap();
        for (path, modes, harmless) in [
            (&above, vec![0o757, 0o777], 0o775),
            (&state, vec![0o770, 0o707], 0o755),
            (&file, vec![0o660, 0o606], 0o644),
        ] {
            for mode in modes {
                set(path, mode);
                let said = check(&state).unwrap_err().to_string();
                assert!(said.contains(&format!("{} can be written", path.display())), "{said}");
            }
            set(path, harmless);
            check(&state).unwrap();
        }
        // As /tmp is.
        set(&above, 0o1777);
        check(&state).unwrap();
    }
}
