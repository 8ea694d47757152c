//! Findings of scripts from the script to every place where they are told: journal, table, terminal, JSON, report, exit code.

#![allow(clippy::unwrap_used, clippy::panic, reason = "test helpers fail by panicking")]

mod bench;

use bench::{Served, number, rows, said};

/// Three findings without a bench being energised: one that is right, one that can't be told, one that is wrong.
const THREE: &str = r#"
    finding(#{ name: "gain", channel: 2, value: 30.02, unit: "dB", u: 0.05, at: "1 kHz", low: 29.9, high: 30.1 });
    finding(#{ name: "=idle", value: 1.2, unit: "A", u: (), note: "the supply's ammeter is of unknown tolerance" });
    finding(#{ name: "dc offset", value: 0.08, unit: "V", u: 0.01, high: 0.05 });
"#;

/// Exit codes: README.md. The verdicts follow from JCGM 106:2012, clause 8.
#[test]
fn findings_are_told_everywhere_and_a_short_one_by_the_exit_code() {
    let served = Served::start("honest");
    let run = served.run(&served.script(THREE)).args(["--json", "--without-selfcheck"]).output().unwrap();
    assert_eq!(run.status.code(), Some(10), "{}", said(&run));
    assert!(
        said(&run).contains("found: gain, channel 2: 30.020 ± 0.050 dB: meets (1 kHz)"),
        "{}",
        said(&run)
    );
    let told: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    assert_eq!(told["findings"].as_array().map(Vec::len), Some(3), "{told}");
    assert_eq!(told["findings"][1]["expanded_u"], serde_json::Value::Null);

    let folder = served.run_folder();
    let found = rows(&folder.join("findings.csv"));
    let verdicts: Vec<&str> = found.iter().map(|row| row["verdict"].as_str()).collect();
    assert_eq!(verdicts, ["meets", "", "short"]);
    assert_eq!((number(&found[0], "value"), number(&found[0], "expanded_u")), (30.02, 0.05));
    assert_eq!((found[0]["channel"].as_str(), found[0]["unit"].as_str()), ("2", "dB"));
    // Words that a spreadsheet would take for a formula have an apostrophe before them (README.md).
    assert_eq!(found[1]["name"], "'=idle");
    assert!(found[1]["expanded_u"].is_empty());

    let table = std::fs::read(folder.join("findings.csv")).unwrap();
    std::fs::remove_file(folder.join("findings.csv")).unwrap();
    let rebuilt = served.again("rebuild", &folder).output().unwrap();
    assert!(rebuilt.status.success(), "{}", said(&rebuilt));
    assert_eq!(std::fs::read(folder.join("findings.csv")).unwrap(), table, "byte for byte");
    let again = served.again("recompute", &folder).output().unwrap();
    let words = String::from_utf8_lossy(&again.stdout).into_owned();
    assert!(again.status.success() && words.contains("3 findings"), "{words}{}", said(&again));
    let shown = served.again("show", &folder).output().unwrap();
    assert!(String::from_utf8_lossy(&shown.stdout).contains("at most 0.05 V"), "{shown:?}");
    let report = served.again("report", &folder).output().unwrap();
    assert!(report.status.success(), "{}", said(&report));
    let page = std::fs::read_to_string(folder.join("report.html")).unwrap();
    for words in ["What else was found", "30.020 ± 0.050 dB", "✗ short", "=idle"] {
        assert!(page.contains(words), "{words}");
    }
}

/// A run that is cut off and resumed answers its findings from the journal and counts on from there.
#[test]
fn a_resumed_run_keeps_its_findings() {
    let served = Served::start("honest");
    let wrong = r#"
        finding(#{ name: "first", value: 1, unit: "", u: 0 });
        capture();
    "#;
    let run = served.run(&served.script(wrong)).arg("--without-selfcheck").output().unwrap();
    assert_eq!(run.status.code(), Some(1), "{}", said(&run));
    let folder = served.run_folder();
    // The mended script does the same up to the mistake.
    let mended = served.script(
        r#"finding(#{ name: "first", value: 1, unit: "", u: 0 });
        try { capture(); } catch { }
        finding(#{ name: "second", value: 2, unit: "", u: 0, low: 1 });"#,
    );
    let resumed = served.again("resume", &folder).arg("--script").arg(mended).output().unwrap();
    assert!(resumed.status.success(), "{}", said(&resumed));
    let found = rows(&folder.join("findings.csv"));
    let names: Vec<(&str, &str)> =
        found.iter().map(|row| (row["finding"].as_str(), row["name"].as_str())).collect();
    assert_eq!(names, [("1", "first"), ("2", "second")]);
}

/// What is no finding is an error of the script with its place, before anything is recorded of it.
#[test]
fn what_is_no_finding_is_told_with_its_line() {
    let served = Served::start("honest");
    for (script, words) in [
        ("\nfinding(#{ name: \"x\", value: 1.0 });", "needs unit"),
        ("\nfinding(#{ name: \"x\", unit: \"V\" });", "needs value"),
        ("\nfinding(#{ name: \"x\", value: 1.0, unit: \"V\", low: 2, high: 0.5 });", "exchange them"),
        ("\nfinding(#{ nme: \"x\", value: 1.0, unit: \"V\" });", "name"),
    ] {
        let run = served.run(&served.script(script)).arg("--without-selfcheck").output().unwrap();
        assert_eq!(run.status.code(), Some(1));
        assert!(said(&run).contains(words) && said(&run).contains("script.rhai:2"), "{}", said(&run));
    }
}

/// Without an uncertainty nobody can tell on which side of a limit a value lies (JCGM 106:2012, 8.2: decision rules rest on it).
#[test]
fn a_limit_without_an_uncertainty_is_undecided() {
    let served = Served::start("honest");
    let script = served.script("finding(#{ name: \"x\", value: 1.0, unit: \"V\", u: (), low: 0.5 });\n");
    let run = served.run(&script).arg("--without-selfcheck").output().unwrap();
    assert_eq!(run.status.code(), Some(11), "{}", said(&run));
    assert_eq!(rows(&served.run_folder().join("findings.csv"))[0]["verdict"], "undecided");
}
