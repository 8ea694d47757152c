//! Where the program keeps what must outlast a restart of a bench: its latched trip.

use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::failure::Failure;

/// The folder of one bench: as asked for, or that which systemd gives a service, or the user's own for state
/// (XDG Base Directory). None when there is no home either: then a restart forgets a trip.
pub fn state_folder(asked: Option<&Path>, bench: &str) -> Option<PathBuf> {
    Some(all_state(asked)?.join(folder_name(bench)))
}

/// The folder of everything that is kept.
pub fn all_state(asked: Option<&Path>) -> Option<PathBuf> {
    let named = |name| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
    asked.map(Path::to_path_buf).or_else(|| {
        named("STATE_DIRECTORY")
            .or_else(|| named("XDG_STATE_HOME").map(|folder| folder.join("wattproof")))
            .or_else(|| named("HOME").map(|home| home.join(".local/state/wattproof")))
    })
}

/// Readable, and different for benches of different names.
pub fn folder_name(bench: &str) -> String {
    let readable: String = bench
        .to_lowercase()
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .take(32)
        .collect();
    let digest = Sha256::digest(bench);
    let tail: String = digest.iter().take(4).map(|byte| format!("{byte:02x}")).collect();
    format!("{readable}-{tail}")
}

/// Refuses a bench file that got another name since the daemon read it: what trips there would be latched where the daemon
/// does not look.
pub fn same_name(held_as: Option<&str>, name: &str, file: &Path) -> Result<(), Failure> {
    if held_as.is_none_or(|held_as| held_as == folder_name(name)) {
        return Ok(());
    }
    Err(Failure::OtherBench(format!(
        "{} names its bench {name:?} now, which is not the one that the daemon holds: give it its name back, or restart the daemon; nothing was opened",
        file.display()
    )))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn benches_of_different_names_never_share_a_folder() {
        let of = |bench| state_folder(Some(Path::new("/state")), bench).unwrap();
        assert_eq!(of("Bench 1"), of("Bench 1"));
        assert_ne!(of("Bench 1"), of("bench 1"));
        assert_ne!(of("../up"), of("---up"));
        assert_eq!(of("../up").parent(), Some(Path::new("/state")));
    }
}
