//! The token that lets a request change things: made once, kept in a file that is this user's alone.

use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::Path;

use crate::settings::ServeError;

/// Its file in the state folder.
pub const TOKEN_FILE: &str = "token";
/// Random bytes of a token.
const TOKEN_BYTES: usize = 24;
/// Rights of everybody but the owner.
const OTHERS: u32 = 0o077;

/// The token of a state folder, made if there is none.
///
/// # Errors
/// The file can't be read or made, or others may read or write it.
pub fn token(folder: &Path) -> Result<String, ServeError> {
    let path = folder.join(TOKEN_FILE);
    let fail = |what, source| ServeError::Io {
        what,
        path: path.display().to_string(),
        source,
        next: "make its folder writable, or name another with --state",
    };
    match std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path) {
        Ok(mut file) => {
            let token = fresh()?;
            file.write_all(token.as_bytes())
                .and_then(|()| file.sync_all())
                .map_err(|e| fail("writing the token", e))?;
            Ok(token)
        }
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            let mut file = std::fs::File::open(&path).map_err(|e| fail("reading the token", e))?;
            let about = file.metadata().map_err(|e| fail("reading the token", e))?;
            if about.mode() & OTHERS != 0 || about.uid() != rustix::process::geteuid().as_raw() {
                return Err(ServeError::Said(format!(
                    "the token file {} can be read or written by others, who could then switch outputs on: remove it, and a new one is made",
                    path.display()
                )));
            }
            let mut token = String::new();
            file.read_to_string(&mut token).map_err(|e| fail("reading the token", e))?;
            let token = token.trim().to_string();
            if token.len() < TOKEN_BYTES {
                return Err(ServeError::Said(format!(
                    "the token in {} is too short to keep anybody out: remove the file, and a new one is made",
                    path.display()
                )));
            }
            Ok(token)
        }
        Err(error) => Err(fail("making the token", error)),
    }
}

/// Random letters and digits.
///
/// # Errors
/// The system gives no random numbers.
fn fresh() -> Result<String, ServeError> {
    let mut bytes = [0_u8; TOKEN_BYTES];
    getrandom::fill(&mut bytes)
        .map_err(|error| ServeError::Said(format!("the system gives no random numbers: {error}")))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// A short name that no other start of the daemon has.
///
/// # Errors
/// The system gives no random numbers.
pub fn boot() -> Result<String, ServeError> {
    Ok(fresh()?.chars().take(8).collect())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn a_token_is_made_once_and_is_nobody_elses() {
        let folder = tempfile::tempdir().unwrap();
        let made = token(folder.path()).unwrap();
        assert!(made.len() == 2 * TOKEN_BYTES && made.chars().all(|c| c.is_ascii_hexdigit()));
        assert_eq!(token(folder.path()).unwrap(), made);
        let path = folder.path().join(TOKEN_FILE);
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o640)).unwrap();
        let refused = token(folder.path()).unwrap_err().to_string();
        assert!(refused.contains("can be read or written by others"), "{refused}");
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        std::fs::write(&path, "short").unwrap();
        assert!(token(folder.path()).unwrap_err().to_string().contains("too short"));
    }
}
