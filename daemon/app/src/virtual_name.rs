//! What a served virtual bench is called. State and latched trip of a bench are kept under its name, so two benches must
//! not have one by accident, and a bench whose file is written again must keep its own.

use std::path::Path;

use serde::Deserialize;
use sha2::{Digest, Sha256};
use wattproof_virtual_bench::catalogue;

use crate::failure::Failure;

/// First word of the name that a virtual bench gets by itself.
const FIRST: &str = "virtual";

/// What is looked at in a bench file that is there already.
#[derive(Deserialize)]
struct Before {
    name: String,
    #[serde(default)]
    virtual_bench: bool,
}

/// The name of the bench whose file is written at `path`: the one asked for, else the one that the file has already,
/// else the amplifier's with a number of the file's place.
///
/// # Errors
/// The file there is that of a real bench.
pub fn virtual_name(asked: Option<&str>, amplifier: &str, path: Option<&Path>) -> Result<String, Failure> {
    let before = path.and_then(before);
    if let (Some(path), Some(before)) = (path, &before)
        && !before.virtual_bench
    {
        return Err(Failure::Said(format!(
            "{} is the file of a real bench, {:?}: it was left as it is; name another file with --write-bench",
            path.display(),
            before.name
        )));
    }
    let kept = before.map(|before| before.name).filter(|name| !is_of_another(name, amplifier));
    Ok(asked.map(str::to_string).or(kept).unwrap_or_else(|| invented(amplifier, path)))
}

/// What stands at a path, where that is a bench file.
fn before(path: &Path) -> Option<Before> {
    toml::from_str(&wattproof_texts::read_text(path).ok()?).ok()
}

/// Whether a name is the one that a bench with another amplifier got by itself.
fn is_of_another(name: &str, amplifier: &str) -> bool {
    let mut words = name.split(' ');
    let (first, named, number, end) = (words.next(), words.next(), words.next(), words.next());
    first == Some(FIRST)
        && named.is_some_and(|named| named != amplifier && catalogue::names().any(|one| one == named))
        && number.is_some_and(|number| number.parse::<u32>().is_ok())
        && end.is_none()
}

/// Five figures of the file's place, or of this process where the file is printed.
fn invented(amplifier: &str, path: Option<&Path>) -> String {
    let place = path.and_then(|path| std::path::absolute(path).ok()).map_or_else(
        || format!("{} {:?}", std::process::id(), std::time::SystemTime::now()),
        |path| path.display().to_string(),
    );
    let number = Sha256::digest(place).iter().take(8).fold(0_u64, |sum, byte| (sum << 8) | u64::from(*byte));
    format!("{FIRST} {amplifier} {}", 10_000 + number % 90_000)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::virtual_name;

    /// Project definition: state and latch are kept under the name.
    #[test]
    fn benches_in_two_places_have_two_names_and_a_file_keeps_its_own() {
        let folder = tempfile::tempdir().unwrap();
        let (a, b) = (folder.path().join("a.toml"), folder.path().join("b.toml"));
        let of = |asked, amplifier, path| virtual_name(asked, amplifier, Some(path)).unwrap();
        let first = of(None, "honest", &a);
        assert!(first.starts_with("virtual honest "), "{first}");
        assert_eq!(first, of(None, "honest", &a));
        assert_ne!(first, of(None, "honest", &b));
        assert_ne!(first, of(None, "hot", &a));
        assert_ne!(virtual_name(None, "honest", None).unwrap(), first);
        // Under another path, as after a move, or by an asked name: what stands in the file is kept.
        for kept in [&first, "by the window"] {
            std::fs::write(&b, format!("name = \"{kept}\"\nvirtual_bench = true\n")).unwrap();
            assert_eq!(of(None, "honest", &b), *kept);
        }
        assert_eq!(of(None, "hot", &b), "by the window");
        assert_eq!(of(Some("other"), "hot", &b), "other");
        // Another amplifier's own name would tell the wrong one.
        std::fs::write(&b, format!("name = \"{first}\"\nvirtual_bench = true\n")).unwrap();
        assert!(of(None, "hot", &b).starts_with("virtual hot "));
    }

    #[test]
    fn a_real_benchs_file_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bench.toml");
        std::fs::write(&path, "name = \"bench 1\"\n[supply]\n").unwrap();
        let refused = virtual_name(Some("any"), "honest", Some(&path)).unwrap_err().to_string();
        assert!(refused.contains("real bench") && refused.contains("bench 1"), "{refused}");
        // What is no bench file is no bench.
        std::fs::write(&path, "notes").unwrap();
        assert!(virtual_name(None, "honest", Some(&path)).is_ok());
    }
}
