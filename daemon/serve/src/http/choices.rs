//! What a run can be chosen from: the scripts and nameplates in the daemon's folders.

use std::path::{Path, PathBuf};

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use wattproof_runs::{Nameplate, Parameter, ParameterKind, Script, Set, parameters_of, read_script};

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
    /// Its parameters, in its order.
    parameters: Vec<ParameterChoice>,
    /// Why it can't be run, if it can't.
    fault: Option<String>,
}

/// A parameter of a script: what `set` of a new job may name.
#[derive(Debug, Serialize, ToSchema)]
pub struct ParameterChoice {
    /// Its name, which ends in its unit.
    name: String,
    /// What it is; empty where the script does not say.
    what: String,
    /// Its unit; empty where it has none.
    unit: String,
    /// What kind of thing it is.
    kind: KindOfParameter,
    /// What it is worth when nobody sets it.
    default: Value,
    /// Lowest value of a number, or of each of a list.
    min: Option<f64>,
    /// Highest value of a number, or of each of a list.
    max: Option<f64>,
    /// The words there are to choose from.
    choices: Vec<String>,
    /// Most characters of a text.
    letters_max: Option<usize>,
}

/// What kind of thing a parameter is.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum KindOfParameter {
    /// A number.
    Number,
    /// A whole number.
    Whole,
    /// A list of numbers.
    Numbers,
    /// A list of whole numbers.
    Wholes,
    /// One of some words.
    Word,
    /// A text of one's own.
    Text,
    /// Yes or no.
    Flag,
}

impl From<ParameterKind> for KindOfParameter {
    fn from(kind: ParameterKind) -> Self {
        match kind {
            ParameterKind::Number => Self::Number,
            ParameterKind::Whole => Self::Whole,
            ParameterKind::Numbers => Self::Numbers,
            ParameterKind::Wholes => Self::Wholes,
            ParameterKind::Word => Self::Word,
            ParameterKind::Text => Self::Text,
            ParameterKind::Flag => Self::Flag,
        }
    }
}

impl From<Parameter> for ParameterChoice {
    fn from(one: Parameter) -> Self {
        ParameterChoice {
            default: one.default.json(),
            kind: one.kind.into(),
            min: one.limits.map(|limits| limits.min),
            max: one.limits.map(|limits| limits.max),
            name: one.name,
            what: one.what,
            unit: one.unit,
            choices: one.choices,
            letters_max: one.letters_max,
        }
    }
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
    let scripts = tokio::task::spawn_blocking(move || listed(&folder));
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

/// The scripts of a folder; definitions for editors and tests of scripts have that ending too, and are none.
fn listed(folder: &Path) -> Vec<ScriptChoice> {
    let others = [".d.rhai", "_test.rhai"];
    let is_other = |path: &PathBuf| others.iter().any(|end| name(path).ends_with(end));
    let scripts = files(folder, "rhai").into_iter().filter(|path| !is_other(path));
    scripts.map(|path| script(&path)).collect()
}

fn script(path: &Path) -> ScriptChoice {
    let source = match read_script(path) {
        Ok(source) => source,
        Err(error) => return unusable(path, error.to_string(), error.to_string()),
    };
    let purpose = source.lines().next().unwrap_or_default().trim_start_matches(['/', ' ']).to_string();
    // Under its name alone: what it is said to be wrong with must not tell where the daemon keeps it.
    match parameters_of(&Script { path: name(path).into(), source }, &Set::new()) {
        Ok(parameters) => ScriptChoice {
            name: name(path),
            purpose,
            parameters: parameters.into_iter().map(ParameterChoice::from).collect(),
            fault: None,
        },
        Err(fault) => unusable(path, purpose, fault.to_string()),
    }
}

fn unusable(path: &Path, purpose: String, fault: String) -> ScriptChoice {
    ScriptChoice { name: name(path), purpose, parameters: Vec::new(), fault: Some(fault) }
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    /// Project definition: what a form needs to ask for each parameter, and why a script can't be run.
    #[test]
    fn a_script_is_listed_with_its_parameters_or_its_fault() {
        let folder = tempfile::tempdir().unwrap();
        let listed = |text: &str| {
            let path = folder.path().join("mine.rhai");
            std::fs::write(&path, text).unwrap();
            std::fs::write(folder.path().join("wattproof.d.rhai"), "module static;").unwrap();
            std::fs::write(folder.path().join("mine_test.rhai"), "fn test_it() {}").unwrap();
            let scripts = super::listed(folder.path());
            assert_eq!(scripts.len(), 1, "neither definitions for editors nor tests are scripts");
            serde_json::to_value(&scripts[0]).unwrap()
        };
        let declared =
            "// Sag.\nparam(\"low_v\", #{ value: 11, min: 9.5, max: 14, what: \"lowest\" });\nsettle();";
        let low = serde_json::json!({
            "name": "low_v", "what": "lowest", "unit": "V", "kind": "number", "default": 11.0, "min": 9.5, "max": 14.0,
            "choices": [], "letters_max": null,
        });
        let told = listed(declared);
        assert_eq!(
            (&told["purpose"], &told["parameters"][0], &told["fault"]),
            (&"Sag.".into(), &low, &Value::Null)
        );
        let told = listed("let x = ;");
        let fault = told["fault"].as_str().unwrap();
        assert!(
            fault.contains("mine.rhai:1:") && !fault.contains(folder.path().to_str().unwrap()),
            "{fault}"
        );
    }
}
