//! House rules that the compiler does not check: who may depend on whom, how long a file may grow, that every
//! data file is listed beside it, that nothing is left to do, that links lead somewhere, that every fault has its test.
//!
//! The rules are the project's own (DEVELOPERS.md), so they have no outside source.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Longest source file, in lines.
const LINES_MAX: usize = 700;
/// Nine of ten source files are no longer, in lines.
const LINES_P90: usize = 400;

/// What each crate may use of this project, from the bottom of the house up. `*` is anything.
const MAY_USE: [(&str, &[&str]); 22] = [
    ("drivers/scpi", &[]),
    ("drivers/texts", &[]),
    ("drivers/link", &[]),
    ("drivers/instruments", &["scpi", "link", "texts"]),
    ("drivers/virtual-bench", &["scpi", "link", "texts"]),
    ("daemon/signal", &[]),
    ("daemon/recordings", &["signal"]),
    ("daemon/method", &[]),
    ("daemon/guard", &[]),
    ("daemon/guardian", &[]),
    ("daemon/bench", &["guard", "guardian", "instruments", "link", "signal", "texts"]),
    ("daemon/runs", &["bench", "guard", "method", "signal", "texts"]),
    ("daemon/turns", &["bench"]),
    ("daemon/rehearsal", &["bench", "guard", "instruments", "link", "runs", "turns", "virtual-bench"]),
    ("daemon/catalogue", &[]),
    ("daemon/report", &["bench", "catalogue", "method", "runs", "signal"]),
    ("daemon/export", &["report"]),
    ("daemon/serve", &["bench", "catalogue", "guard", "report", "runs"]),
    ("daemon/app", &["*"]),
    ("tests", &["*"]),
    ("tests/faults", &["bench", "guard", "instruments", "link", "runs", "turns", "virtual-bench"]),
    ("tests/fuzz", &["*"]),
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().canonicalize().unwrap()
}

fn text(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn manifest(folder: &str) -> toml::Table {
    let path = root().join(folder).join("Cargo.toml");
    text(&path).parse().unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Every file below a folder that is the project's own.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            if !name.starts_with('.')
                && !["target", "results", "__pycache__", "node_modules"].contains(&name.as_str())
            {
                found.extend(files(&path));
            }
        } else {
            found.push(path);
        }
    }
    found
}

fn sources() -> Vec<PathBuf> {
    let all = files(&root()).into_iter().filter(|path| path.extension().is_some_and(|end| end == "rs"));
    let all: Vec<_> = all.collect();
    assert!(all.len() > 100, "only {} source files were found: the search itself is broken", all.len());
    all
}

/// Names under `[dependencies]` and the same of every target.
fn dependencies(manifest: &toml::Table) -> BTreeSet<String> {
    let names = |table: &toml::Table| -> Vec<String> {
        let kinds = ["dependencies", "build-dependencies"].iter().filter_map(|kind| table.get(*kind));
        kinds.filter_map(|kind| kind.as_table()).flat_map(|kind| kind.keys().cloned()).collect()
    };
    let mut all: BTreeSet<String> = names(manifest).into_iter().collect();
    if let Some(targets) = manifest.get("target").and_then(|targets| targets.as_table()) {
        all.extend(targets.values().filter_map(|target| target.as_table()).flat_map(names));
    }
    all
}

/// The project's crates that a manifest uses beyond what it may.
fn forbidden(manifest: &toml::Table, allowed: &[&str]) -> Vec<String> {
    let ours = dependencies(manifest);
    let ours = ours.iter().filter_map(|name| name.strip_prefix("wattproof-"));
    let rejected = ours.filter(|name| !allowed.contains(name) && !allowed.contains(&"*"));
    rejected.map(str::to_string).collect()
}

#[test]
fn every_crate_uses_only_what_lies_below_it() {
    for (folder, allowed) in MAY_USE {
        let rejected = forbidden(&manifest(folder), allowed);
        assert!(
            rejected.is_empty(),
            "{folder} may use {allowed:?} of this project, but uses {rejected:?} as well"
        );
    }
    let scpi = dependencies(&manifest("drivers/scpi"));
    assert_eq!(scpi, BTreeSet::from(["thiserror".to_string()]), "drivers/scpi stands alone");
}

#[test]
fn an_upward_dependency_is_noticed() {
    let upward: toml::Table =
        "[dependencies]\nwattproof-runs.workspace = true\nserde = '1'\n".parse().unwrap();
    assert_eq!(forbidden(&upward, &["signal"]), ["runs"]);
    assert!(forbidden(&upward, &["*"]).is_empty());
    let hidden: toml::Table = "[target.'cfg(unix)'.dependencies]\nwattproof-app = '1'\n".parse().unwrap();
    assert_eq!(forbidden(&hidden, &[]), ["app"]);
}

#[test]
fn every_crate_of_the_workspace_has_its_place() {
    let workspace = manifest("");
    let members = workspace["workspace"]["members"].as_array().unwrap();
    let members: BTreeSet<&str> = members.iter().map(|member| member.as_str().unwrap()).collect();
    let placed: BTreeSet<&str> = MAY_USE.iter().map(|(folder, _)| *folder).collect();
    assert_eq!(members, placed, "a crate without a row in MAY_USE, or a row without a crate");
}

#[test]
fn files_stay_short_enough_to_be_read() {
    let mut lengths: Vec<(usize, PathBuf)> =
        sources().into_iter().map(|path| (text(&path).lines().count(), path)).collect();
    lengths.sort();
    let (longest, path) = lengths.last().unwrap();
    assert!(*longest <= LINES_MAX, "{} has {longest} lines, more than {LINES_MAX}: split it", path.display());
    let (p90, path) = &lengths[lengths.len() * 9 / 10];
    assert!(
        *p90 <= LINES_P90,
        "one file in ten is longer than {LINES_P90} lines, from {} on",
        path.display()
    );
}

/// Last number of the catalogue of faults.
const FAULTS: u8 = 58;

/// The numbers that a test bears by its name: `fault_07_…`, `fault_32_and_33_…`.
fn borne(name: &str) -> Vec<u8> {
    let Some(mut rest) = name.strip_prefix("fault_") else { return Vec::new() };
    let mut numbers = Vec::new();
    loop {
        let end = rest.find(|c: char| !c.is_ascii_digit()).unwrap_or(rest.len());
        let Ok(number) = rest[..end].parse() else { return numbers };
        numbers.push(number);
        match rest[end..].strip_prefix("_and_") {
            Some(more) => rest = more,
            None => return numbers,
        }
    }
}

/// The numbers that the tests of a source text bear: of functions marked as tests that are not left out.
fn faults_tested(code: &str) -> Vec<u8> {
    let (mut is_test, mut left_out) = (false, false);
    let mut found = Vec::new();
    for line in code.lines().map(str::trim) {
        if line.starts_with("#[") {
            is_test |= line == "#[test]";
            left_out |= line.contains("ignore") || line.contains("cfg(");
        } else if !line.starts_with("//") {
            let name = line.strip_prefix("fn ").and_then(|rest| rest.split('(').next());
            found.extend(name.filter(|_| is_test && !left_out).map(borne).unwrap_or_default());
            (is_test, left_out) = (false, false);
        }
    }
    found
}

#[test]
fn every_fault_of_the_catalogue_has_a_test_that_bears_its_number() {
    let borne: Vec<(u8, PathBuf)> = sources()
        .into_iter()
        .flat_map(|path| faults_tested(&text(&path)).into_iter().map(move |number| (number, path.clone())))
        .collect();
    for (number, path) in &borne {
        assert!((1..=FAULTS).contains(number), "{}: there is no fault {number}", path.display());
    }
    let tested: BTreeSet<u8> = borne.into_iter().map(|(number, _)| number).collect();
    let missing: Vec<u8> = (1..=FAULTS).filter(|number| !tested.contains(number)).collect();
    assert!(missing.is_empty(), "no test is called fault_NN_… for the faults {missing:?}");
}

#[test]
fn only_tests_that_run_bear_a_number() {
    let code = "#[test]\nfn fault_07_a() {}\n/// Fault 8.\nfn fault_08_no_test() {}\n#[test]\n#[ignore]\nfn fault_09_b() {}
        /// Of both.\n    #[test]\n    // why\n    fn fault_10_and_11_and_c() {}\n#[test]\nfn faults_12() {}\n#[test]\n\nfn fault_13() {}";
    assert_eq!(faults_tested(code), [7, 10, 11]);
}

#[test]
fn nothing_is_left_to_do() {
    // Put together here, so that this file does not find itself.
    let words = ["todo", "unimplemented"].map(|word| format!("{word}!("));
    for path in sources() {
        let text = text(&path);
        for word in &words {
            assert!(!text.contains(word.as_str()), "{} holds {word})", path.display());
        }
    }
}

/// Files of a folder with an extension, and the file names that the rows of its README open with.
fn listed(folder: &str, extension: &str) -> (BTreeSet<String>, BTreeSet<String>) {
    let folder = root().join(folder);
    let entries = fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path());
    let there = entries.filter(|path| path.extension().is_some_and(|end| end == extension));
    let there = there.map(|path| path.file_name().unwrap().to_string_lossy().into_owned());
    // What is made of a table is no script, nor is the test of one.
    let there = there.filter(|name| !name.ends_with(".d.rhai") && !name.ends_with("_test.rhai")).collect();
    let readme = text(&folder.join("README.md"));
    let rows = readme.lines().filter_map(|line| line.strip_prefix("| `")?.split_once('`'));
    let end = format!(".{extension}");
    (there, rows.map(|(name, _)| name.to_string()).filter(|name| name.ends_with(&end)).collect())
}

#[test]
fn every_data_file_has_its_row() {
    let folders = [
        ("drivers/dialects", "toml"),
        ("scripts", "rhai"),
        ("drivers/virtual-bench/amplifiers", "toml"),
        ("drivers/virtual-bench/manners", "toml"),
    ];
    for (folder, extension) in folders {
        let (there, rows) = listed(folder, extension);
        assert!(!there.is_empty(), "{folder} holds no .{extension} file");
        assert_eq!(there, rows, "{folder}/README.md must have one row for each file beside it");
    }
}

/// Targets of the Markdown links and pictures of a text, outside code.
fn links(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut in_code = false;
    for line in text.lines() {
        if line.trim_start().starts_with("```") {
            in_code = !in_code;
        }
        if in_code {
            continue;
        }
        // Every second piece between back-quotes is code.
        let prose: String = line.split('`').step_by(2).collect();
        let targets = prose.split("](").skip(1).filter_map(|rest| rest.split([')', ' ']).next());
        found.extend(targets.map(str::to_string));
    }
    found
}

/// The name GitHub-flavoured Markdown gives a heading.
fn anchor(heading: &str) -> String {
    let kept = heading.trim().to_lowercase();
    let kept = kept.chars().filter(|c| c.is_alphanumeric() || [' ', '-', '_'].contains(c));
    kept.map(|c| if c == ' ' { '-' } else { c }).collect()
}

#[test]
fn links_are_found_where_they_are() {
    let page =
        "See [a](x.md), `[not](code.md)` and ![b](y.png \"t\").\n```\n[no](z.md)\n```\n[`c`](w.md#part)\n";
    assert_eq!(links(page), ["x.md", "y.png", "w.md#part"]);
    assert_eq!(anchor(" Add a dialect, step by step"), "add-a-dialect-step-by-step");
}

#[test]
fn links_of_the_front_pages_lead_somewhere() {
    let mut pages = vec![root().join("README.md"), root().join("DEVELOPERS.md")];
    let found = files(&root()).into_iter();
    pages.extend(found.filter(|path| path.file_name().is_some_and(|name| name == "README.md")));
    for page in pages {
        for link in links(&text(&page)) {
            if link.contains("://") || link.starts_with("mailto:") {
                continue;
            }
            let (path, part) = link.split_once('#').unwrap_or((&link, ""));
            let target = if path.is_empty() { page.clone() } else { page.parent().unwrap().join(path) };
            assert!(target.exists(), "{} links to {link}, which is not there", page.display());
            if !part.is_empty() && target.extension().is_some_and(|end| end == "md") {
                let target = text(&target);
                let headings = target.lines().filter(|line| line.starts_with('#'));
                let known =
                    headings.map(|line| anchor(line.trim_start_matches('#'))).any(|name| name == part);
                assert!(known, "{} links to {link}, which has no such heading", page.display());
            }
        }
    }
}
