//! Which of the daemon's benches a person means: by its name, the beginning of that, its file, or what addresses call it.

use std::path::{Path, PathBuf};

use wattproof_serve::Bench;

use super::block_on;
use super::socket::{QUICK, Socket};
use super::status::Status;
use crate::failure::Failure;
use crate::state_folder::all_state;

/// Why no bench is meant.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoSuchBench {
    /// None is called so.
    #[error("the daemon holds no bench {asked:?}: it holds {}", names.join(", "))]
    Unknown {
        /// What was asked for.
        asked: String,
        /// The benches.
        names: Vec<String>,
    },
    /// Several are.
    #[error("{asked:?} fits several benches, {}: name one of them", names.join(", "))]
    Several {
        /// What was asked for.
        asked: String,
        /// Those that fit.
        names: Vec<String>,
    },
}

/// The bench that is meant.
///
/// # Errors
/// [`NoSuchBench`], with the choices.
pub fn which<'a>(benches: &'a [Bench], asked: &str) -> Result<&'a Bench, NoSuchBench> {
    let file = Path::new(asked).canonicalize().ok();
    let is_file = |bench: &Bench| file.as_deref() == Some(Path::new(&bench.file));
    // A whole name is never mistaken for the beginning of another.
    let whole = |bench: &&Bench| bench.bench == asked || bench.name == asked || is_file(bench);
    if let Some(bench) = benches.iter().find(whole) {
        return Ok(bench);
    }
    let begins = asked.to_lowercase();
    let fits = |bench: &&Bench| {
        !begins.is_empty()
            && (bench.name.to_lowercase().starts_with(&begins) || bench.bench.starts_with(&begins))
    };
    let found: Vec<&Bench> = benches.iter().filter(fits).collect();
    match found[..] {
        [bench] => Ok(bench),
        [] => Err(NoSuchBench::Unknown { asked: asked.into(), names: names(benches.iter()) }),
        _ => Err(NoSuchBench::Several { asked: asked.into(), names: names(found.into_iter()) }),
    }
}

/// Names as they are typed.
fn names<'a>(benches: impl Iterator<Item = &'a Bench>) -> Vec<String> {
    benches.map(|bench| format!("{:?}", bench.name)).collect()
}

/// The bench file that is meant: a file of that path, else that of a bench of the daemon's; without a word, that of the
/// daemon's only bench.
///
/// # Errors
/// Nothing or several may be meant.
pub fn bench_file_of(asked: Option<&Path>, state: Option<&Path>) -> Result<PathBuf, Failure> {
    if let Some(asked) = asked.filter(|asked| asked.exists()) {
        return Ok(asked.into());
    }
    let benches = held(state)?;
    match (asked, benches.as_deref()) {
        // Whoever reads it says that it is not there.
        (Some(asked), None) => Ok(asked.into()),
        (Some(asked), Some(benches)) => {
            let bench = which(benches, &asked.to_string_lossy());
            let bench = bench
                .map_err(|why| Failure::Said(format!("there is no file {}, and {why}", asked.display())))?;
            Ok(bench.file.clone().into())
        }
        (None, Some([bench])) => Ok(bench.file.clone().into()),
        (None, Some(benches)) => Err(Failure::Said(format!(
            "the daemon holds several benches, {}: name one with --bench",
            names(benches.iter()).join(", ")
        ))),
        (None, None) => Err(Failure::Said(
            "which bench? Name a bench file with --bench; it can be left out where a daemon holds one bench"
                .into(),
        )),
    }
}

/// The benches of the daemon that answers; None where there is none.
fn held(state: Option<&Path>) -> Result<Option<Vec<Bench>>, Failure> {
    let Some(state) = all_state(state) else { return Ok(None) };
    match block_on(Status::ask(&Socket::of(&state).within(QUICK)))? {
        Ok(status) => Ok(Some(status.benches)),
        Err(error) if error.is_nobody() => Ok(None),
        Err(error) => Err(error.into()),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use serde_json::json;

    use super::*;

    fn bench(name: &str) -> Bench {
        let id = crate::state_folder::folder_name(name);
        serde_json::from_value(json!({
            "bench": id, "name": name, "file": format!("/etc/{id}.toml"), "invented": true, "guard": "closed",
            "outputs": "off", "latched": null, "supply_v": null, "supply_a": null, "heatsink_c": null,
            "read_utc": null, "job": null,
        }))
        .unwrap()
    }

    /// Project definition.
    #[test]
    fn a_name_a_beginning_or_an_address_is_a_bench_and_nothing_is_guessed() {
        let benches = [bench("left"), bench("left window"), bench("Right")];
        let of = |asked: &str| which(&benches, asked).map(|bench| bench.name.as_str());
        assert_eq!(of("left"), Ok("left"));
        assert_eq!(of("left w"), Ok("left window"));
        assert_eq!(of("RIGHT"), Ok("Right"));
        assert_eq!(of(&benches[2].bench), Ok("Right"));
        let several = of("le").unwrap_err().to_string();
        assert!(several.contains("\"left\", \"left window\"") && !several.contains("Right"), "{several}");
        for nothing in ["", "middle"] {
            let none = of(nothing).unwrap_err().to_string();
            assert!(none.contains("holds no bench") && none.contains("\"Right\""), "{none}");
        }
    }
}
