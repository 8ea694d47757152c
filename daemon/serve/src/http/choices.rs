//! What a run can be chosen from: the scripts and nameplates in the daemon's folders.

use std::path::{Path, PathBuf};

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;
use wattproof_runs::{Nameplate, read_script};

use super::{Ground, Problem};

/// Most files that are listed.
const LISTED_MAX: usize = 500;

/// A script that can be run.
#[derive(Debug, Serialize, ToSchema)]
pub struct ScriptChoice {
    /// Its file name.
    name: String,
    /// The first line of its head comment.
    purpose: String,
}

/// The scripts.
#[derive(Debug, Serialize, ToSchema)]
pub struct Scripts {
    /// By name.
    scripts: Vec<ScriptChoice>,
}

/// A nameplate that can be tested against.
#[derive(Debug, Serialize, ToSchema)]
pub struct NameplateChoice {
    /// Its file name.
    name: String,
    /// Maker and model; or why it can't be used.
    amplifier: String,
    /// How many ratings it claims; none where it can't be used.
    ratings: Option<usize>,
    /// Whether the amplifier is invented.
    invented: bool,
}

/// The nameplates.
#[derive(Debug, Serialize, ToSchema)]
pub struct Nameplates {
    /// By name.
    nameplates: Vec<NameplateChoice>,
}

/// The scripts that can be run by name
#[utoipa::path(get, path = "/scripts", tag = "queue", responses((status = 200, description = "The scripts", body = Scripts)))]
pub async fn scripts(State(ground): State<Ground>) -> Result<Json<Scripts>, Problem> {
    let folder = ground.daemon.settings.scripts.clone();
    let scripts = tokio::task::spawn_blocking(move || {
        files(&folder, "rhai")
            .into_iter()
            .map(|path| ScriptChoice { name: name(&path), purpose: purpose(&path) })
            .collect()
    });
    Ok(Json(Scripts { scripts: scripts.await.map_err(Problem::failed)? }))
}

/// The nameplates that can be tested against by name
#[utoipa::path(get, path = "/nameplates", tag = "queue", responses((status = 200, description = "The nameplates", body = Nameplates)))]
pub async fn nameplates(State(ground): State<Ground>) -> Result<Json<Nameplates>, Problem> {
    let folder = ground.daemon.settings.nameplates.clone();
    let plates =
        tokio::task::spawn_blocking(move || files(&folder, "toml").iter().map(|path| plate(path)).collect());
    Ok(Json(Nameplates { nameplates: plates.await.map_err(Problem::failed)? }))
}

/// Files of a folder by name; a folder that is not there has none.
fn files(folder: &Path, extension: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    let mut files: Vec<PathBuf> = entries
        .filter(|path| path.extension().is_some_and(|found| found == extension) && path.is_file())
        .collect();
    files.sort();
    files.truncate(LISTED_MAX);
    files
}

fn name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

fn purpose(path: &Path) -> String {
    match read_script(path) {
        Ok(text) => text.lines().next().unwrap_or_default().trim_start_matches(['/', ' ']).to_string(),
        Err(error) => error.to_string(),
    }
}

fn plate(path: &Path) -> NameplateChoice {
    match Nameplate::read(path) {
        Ok(plate) => NameplateChoice {
            name: name(path),
            amplifier: format!("{} {}", plate.maker, plate.model),
            ratings: Some(plate.rating.len()),
            invented: plate.invented,
        },
        Err(error) => {
            NameplateChoice { name: name(path), amplifier: error.to_string(), ratings: None, invented: false }
        }
    }
}
