//! Faults 52 to 54: files that come from another person. A results folder, a bench file, a script or a recording that
//! somebody else made can be as long, as deep and as crooked as they like: it costs an error in words, reads and writes
//! nothing outside its own folder, and puts no formula into a table.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use wattproof_runs::{Disk, Journal, MachineDisk, read_journal};

use crate::bench::{Served, rows, said, wattproof};

/// Two steps, and a word that a spreadsheet would take for a formula (OWASP, "CSV Injection").
const SCRIPT: &str = "load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 30.0, on: true });
source(#{ hz: 1000.0, level_vrms: 0.1, on: true });
settle();
capture(\"=cmd|' /C calc'!A0\");
capture(\"-2; @SUM(A1)\");
throw \"enough\";
";
/// Address space that a command may take, bytes: a few times what a small run takes.
const ADDRESSES_BYTES: u64 = 3 << 30;
/// Deeper than any stack.
const DEEP: usize = 100_000;

/// A run that ended early, so that it can be resumed as well.
fn recorded() -> Served {
    let served = Served::start("honest");
    let output = served.run(&served.script(SCRIPT)).output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    served
}

/// Runs a command in bounded memory; it must fail in words, and soon.
fn refused(arguments: &[&str]) -> String {
    let (began, state) = (Instant::now(), tempfile::tempdir().unwrap());
    let output = Command::new("prlimit")
        .arg(format!("--as={ADDRESSES_BYTES}"))
        .arg(wattproof())
        .args(arguments)
        .env("WATTPROOF_STATE", state.path())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let told = said(&output);
    // A stack that overflows, or memory that is not there, ends a process by a signal.
    assert_eq!(output.status.code(), Some(1), "{arguments:?}: {:?}: {told}", output.status);
    assert!(!told.contains("panicked") && told.contains("wattproof: "), "{told}");
    assert!(told.len() < 20_000, "{arguments:?}: {} bytes were said", told.len());
    assert!(began.elapsed() < Duration::from_secs(60), "{arguments:?}: {:?}", began.elapsed());
    told
}

/// Everything that goes over a run's folder again.
fn each_refuses(run: &Path, words: &[&str]) {
    for word in ["rebuild", "recompute", "resume"] {
        let told = refused(&[word, &run.display().to_string()]);
        assert!(words.iter().any(|one| told.contains(one)), "{word}: none of {words:?} in {told}");
    }
}

/// Writes a run's journal anew, changed, with hashes that fit: they vouch for no one.
fn forge(run: &Path, change: impl Fn(&str, &mut Value)) {
    let path = run.join("journal.jsonl");
    let lines = read_journal(&MachineDisk, &path).unwrap().lines;
    std::fs::remove_file(&path).unwrap();
    let disk: Arc<dyn Disk> = Arc::new(MachineDisk);
    let mut journal = Journal::create(&disk, &path).unwrap();
    for mut line in lines {
        change(&line.kind, &mut line.data);
        journal.append(line.at_s, &line.kind, &line.data).unwrap();
    }
}

fn sparse(path: &Path) {
    let _there = std::fs::remove_file(path);
    std::fs::File::create(path).unwrap().set_len(1 << 40).unwrap();
}

#[test]
fn fault_52_a_results_folder_with_huge_or_deep_files_is_refused_in_bounded_memory() {
    let served = recorded();
    let run = served.run_folder();
    let journal = run.join("journal.jsonl");
    let whole = std::fs::read(&journal).unwrap();

    std::fs::write(&journal, "[".repeat(DEEP)).unwrap();
    each_refuses(&run, &["does not tell what was run"]);
    sparse(&journal);
    each_refuses(&run, &["does not tell what was run", "does not fit"]);
    std::fs::write(&journal, [&whole, format!("{}\n", "x".repeat(999)).repeat(80_000).as_bytes()].concat())
        .unwrap();
    each_refuses(&run, &["does not fit"]);
    std::fs::write(&journal, &whole).unwrap();

    for text in ["[".repeat(DEEP), format!("{{\"format\":1,\"ratings\":{}", "[".repeat(DEEP))] {
        std::fs::write(run.join("ratings.json"), text).unwrap();
        assert!(refused(&["explain", &run.display().to_string(), "1"]).contains("altered"));
    }
    sparse(&run.join("ratings.json"));
    assert!(refused(&["explain", &run.display().to_string(), "1"]).contains("longer than"));

    let capture = std::fs::read_dir(run.join("captures")).unwrap().next().unwrap().unwrap().path();
    let samples = std::fs::read(&capture).unwrap();
    sparse(&capture);
    assert!(refused(&["recompute", &run.display().to_string()]).contains("longer than"));
    std::fs::remove_file(&capture).unwrap();
    std::fs::write(&capture, samples).unwrap();

    // Tables are written anew whatever stands there, and as they were.
    let table = std::fs::read(run.join("steps.csv")).unwrap();
    for name in ["steps.csv", "run.json"] {
        sparse(&run.join(name));
    }
    let output = served.again("rebuild", &run).output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    assert_eq!(std::fs::read(run.join("steps.csv")).unwrap(), table);
    assert!(std::fs::metadata(run.join("run.json")).unwrap().len() < 1 << 20);
}

#[test]
fn fault_52_deep_files_of_every_kind_are_refused_in_words() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    };
    let nests = [
        format!("a = {}", "[".repeat(DEEP)),
        format!("a = {}{}", "[".repeat(DEEP), "]".repeat(DEEP)),
        format!("a = {}", "{b=".repeat(DEEP)),
        format!("{}a = 1", "a.".repeat(DEEP)),
        format!("[{}a]", "a.".repeat(DEEP)),
        format!("[[{}a]]\nb = 1", "a.".repeat(DEEP)),
        format!("a = {}1{}", "{b.c.d.e=".repeat(DEEP / 4), "}".repeat(DEEP / 4)),
    ];
    for text in &nests {
        let path = write("deep.toml", text);
        refused(&["check", "--bench", &path]);
        refused(&["check", "--nameplate", &path]);
        refused(&["dialect", "check", &path]);
        refused(&["virtual-bench", "--until-stdin-closes", "--faults", &path]);
        refused(&["virtual-bench", "--until-stdin-closes", "--manner", &path]);
    }
    for unit in
        ["(", "[", "#{a:", "{", "-", "!", "if true {", "fn a() {", "a.", "a[", "a(", "|x|", "1+(", "`${"]
    {
        let path = write("deep.rhai", &unit.repeat(DEEP));
        refused(&["check", &path]);
    }
    let chain =
        write("deep.rhai", &format!("let a = 1; if a == 0 {{}}{}", " else if a == 1 {}".repeat(DEEP / 2)));
    refused(&["check", &chain]);
    // A recording that has no end.
    let endless = folder.path().join("endless.csv");
    std::fs::write(&endless, format!("t,u\n{}", "0.1,1\n".repeat(20_000))).unwrap();
    std::fs::File::options().write(true).open(&endless).unwrap().set_len(1 << 40).unwrap();
    refused(&["measure", &endless.display().to_string()]);
}

#[test]
fn fault_53_a_journal_that_names_other_files_reads_and_writes_none() {
    let secret = tempfile::tempdir().unwrap();
    let file = secret.path().join("secret");
    std::fs::write(&file, "this must not be said").unwrap();
    let up = PathBuf::from("../".repeat(20)).join(file.strip_prefix("/").unwrap());
    for named in [file.clone(), up.clone(), Path::new("captures").join(up)] {
        let served = recorded();
        let run = served.run_folder();
        forge(&run, |kind, data| {
            if kind == "done" && data["captured"]["capture"]["file"].is_string() {
                data["captured"]["capture"]["file"] = json!(named);
            }
            if kind == "opened" {
                data["run"] = json!("../../elsewhere");
                data["script"] = json!("/etc/passwd");
            }
        });
        for word in ["recompute", "resume"] {
            let told = refused(&[word, &run.display().to_string()]);
            assert!(
                told.contains("nothing was read") && !told.contains("must not be said"),
                "{word}: {told}"
            );
        }
        // Its tables need no capture, and are written where it lies.
        let output = served.again("rebuild", &run).output().unwrap();
        assert!(output.status.success(), "{}", said(&output));
        let entries = std::fs::read_dir(served.folder.path()).unwrap();
        assert!(!entries.flatten().any(|entry| entry.file_name() == "elsewhere"));
    }
    assert_eq!(std::fs::read_dir(secret.path()).unwrap().count(), 1);
}

#[test]
fn fault_53_links_in_a_results_folder_are_not_followed() {
    let served = recorded();
    let run = served.run_folder();
    let foreign = served.folder.path().join("foreign");
    std::fs::write(&foreign, "of somebody else").unwrap();
    let link = |to: &Path, name: &str| {
        let _there = std::fs::remove_file(run.join(name));
        std::os::unix::fs::symlink(to, run.join(name)).unwrap();
    };
    // Where a table will be written, and where it is written first.
    for name in ["steps.csv", "run.json", "curve.csv", "bursts.csv", "ratings.csv"] {
        link(&foreign, name);
        link(&foreign, &format!("{name}.part"));
    }
    for name in [
        "journal.jsonl.reserve",
        "journal.jsonl.reserve.part",
        "journal.jsonl.torn",
        "fault.json",
        "ratings.json",
    ] {
        link(&foreign, name);
    }
    let output = served.again("rebuild", &run).output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    assert!(!run.join("steps.csv").is_symlink() && !rows(&run.join("steps.csv")).is_empty());
    assert!(refused(&["explain", &run.display().to_string(), "1"]).contains("symbolic link"));
    let output = served.again("resume", &run).output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(said(&output).contains("enough"), "it goes on to the same end: {}", said(&output));
    assert_eq!(std::fs::read_to_string(&foreign).unwrap(), "of somebody else");

    let elsewhere = served.folder.path().join("elsewhere");
    std::fs::create_dir(&elsewhere).unwrap();
    std::fs::rename(run.join("captures"), served.folder.path().join("captures")).unwrap();
    link(&elsewhere, "captures");
    each_refuses(&run, &["captures: it is a symbolic link"]);
    assert_eq!(std::fs::read_dir(&elsewhere).unwrap().count(), 0);
    std::fs::remove_file(run.join("captures")).unwrap();
    std::fs::rename(served.folder.path().join("captures"), run.join("captures")).unwrap();
    std::fs::rename(run.join("journal.jsonl"), served.folder.path().join("journal")).unwrap();
    link(&served.folder.path().join("journal"), "journal.jsonl");
    each_refuses(&run, &["journal.jsonl: it is a symbolic link"]);
}

/// What a script names: it has no way to a file.
#[test]
fn fault_53_a_script_reads_no_file_by_any_path() {
    let served = Served::start("honest");
    let secret = served.folder.path().join("secret.rhai");
    std::fs::write(&secret, "throw \"this must not be said\";").unwrap();
    for path in ["secret".into(), "../secret".into(), secret.with_extension("").display().to_string()] {
        let output = served.run(&served.script(&format!("import \"{path}\" as other;"))).output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{}", said(&output));
        assert!(!said(&output).contains("must not be said"), "{}", said(&output));
    }
}

#[test]
fn fault_54_no_cell_begins_a_formula_and_numbers_stay_numbers() {
    let served = recorded();
    let run = served.run_folder();
    let table = rows(&run.join("steps.csv"));
    let purposes: Vec<&str> = table.iter().step_by(2).map(|row| row["purpose"].as_str()).collect();
    assert_eq!(purposes, ["'=cmd|' /C calc'!A0", "'-2;' @SUM(A1)"]);
    for row in &table {
        assert!(row["level_dbv"].starts_with('-') && row["level_dbv"].parse::<f64>().is_ok(), "{row:?}");
        for (column, cell) in row {
            let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
            assert!(!formula || cell.parse::<f64>().is_ok(), "{column}: {cell}");
        }
    }
    let output = served.again("rebuild", &run).output().unwrap();
    let told = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success() && told.contains("every table is what the journal says"), "{told}");
}

/// A file's name, and what a table calls its columns, are text in a picture (XML 1.0, 2.4).
#[test]
fn fault_54_a_name_is_no_markup_in_a_picture() {
    let folder = tempfile::tempdir().unwrap();
    let markup = "<script>alert(1)<&'\"";
    let recording = folder.path().join(format!("{}.csv", markup.replace('/', "")));
    let sine = |n: usize| (std::f64::consts::TAU * n as f64 / 48.0).sin();
    let lines: String = (0..4800).map(|n| format!("{},{}\n", n as f64 / 48_000.0, sine(n))).collect();
    std::fs::write(&recording, format!("time,\"{}\"\n{lines}", markup.replace('"', "\"\""))).unwrap();
    let picture = folder.path().join("picture.svg");
    let output = Command::new(wattproof())
        .arg("measure")
        .arg(&recording)
        .arg("--plot")
        .arg(&picture)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let drawn = std::fs::read_to_string(&picture).unwrap();
    assert!(drawn.contains("&lt;script&gt;") && !drawn.contains("<script"), "{drawn}");
}
