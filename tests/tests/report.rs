//! `wattproof report` and `wattproof compare` on runs of the virtual bench: a run that goes on, one that was stopped, one
//! that finished.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use bench::{Served, number, rows, said, wattproof};

/// One ceiling, recorded; then steps for as long as nobody stops it.
const ENDLESS: &str = r#"
    let rating = nameplate().ratings[0];
    load(#{ ohm: rating.load_ohm });
    supply(#{ volts_v: rating.supply_v, on: true });
    source(#{ hz: rating.hz, driven: rating.driven });
    settle();
    let ceiling = find_ceiling(rating);
    record(rating, ceiling);
    for step in 0..10000 {
        capture_at(#{ levels_vrms: [ceiling.level_vrms * 0.1], purpose: "curve" });
    }
"#;

fn told(words: &[&str], paths: &[&Path]) -> Output {
    Command::new(wattproof()).args(words).args(paths).output().unwrap()
}

/// Waits until a run has recorded so many rows of steps.
fn wait_for_rows(steps: &Path, count: usize) {
    let until = Instant::now() + Duration::from_secs(60);
    while !std::fs::read_to_string(steps).is_ok_and(|text| text.lines().count() > count) {
        assert!(Instant::now() < until, "{}: no {count} rows", steps.display());
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A report can be made of a run at any moment; it says that the run has no end yet, and how it was stopped afterwards.
#[test]
fn a_run_is_reported_while_it_goes_on_and_after_it_was_stopped() {
    let served = Served::start("honest");
    let mut run = served.run(&served.script(ENDLESS)).spawn().unwrap();
    let results = served.bench().parent().unwrap().join("results");
    let until = Instant::now() + Duration::from_secs(60);
    while !results.read_dir().is_ok_and(|mut entries| entries.next().is_some()) {
        assert!(Instant::now() < until, "no run began");
        std::thread::sleep(Duration::from_millis(20));
    }
    let folder = served.run_folder();
    wait_for_rows(&folder.join("steps.csv"), 16);
    let figures = folder.join("figures");
    let reported =
        Command::new(wattproof()).arg("report").arg(&folder).arg("--figures").arg(&figures).output();
    let reported = reported.unwrap();
    assert!(reported.status.success(), "{}", said(&reported));
    let page = std::fs::read_to_string(folder.join("report.html")).unwrap();
    assert!(page.contains("<strong>Not ended.</strong>"), "{page}");
    for name in ["distortion", "supply", "rating-1-waveform", "rating-1-spectrum"] {
        assert!(
            std::fs::read_to_string(figures.join(format!("{name}.svg")))
                .unwrap()
                .contains("stroke-width=\"1.8\" fill=\"none\""),
            "{name}"
        );
    }
    let pid = rustix::process::Pid::from_child(&run);
    rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
    run.wait().unwrap();
    let reported = told(&["report"], &[&folder]);
    assert!(reported.status.success(), "{}", said(&reported));
    let page = std::fs::read_to_string(folder.join("report.html")).unwrap();
    assert!(
        page.contains("<strong>Stopped.</strong>")
            && page.contains("Source and supply answered that they are off")
    );
    let rating = &rows(&folder.join("ratings.csv"))[0];
    let measured = format!("{:.1}", number(rating, "measured_w"));
    assert!(page.contains(&measured), "{measured}");
}

/// Two amplifiers side by side: the table's numbers are those of their ratings.csv, and what differs is said.
#[test]
fn runs_are_put_side_by_side() {
    let out = tempfile::tempdir().unwrap();
    let mut folders = Vec::new();
    for amplifier in ["honest", "soft"] {
        let results = out.path().join(amplifier);
        let run = Command::new(wattproof())
            .args(["demo", "--amplifier", amplifier, "--out"])
            .arg(&results)
            .output();
        let run = run.unwrap();
        assert!(run.status.success(), "{}", said(&run));
        folders.push(bench::only_folder(&results));
    }
    let csv = out.path().join("compared.csv");
    let compared =
        Command::new(wattproof()).arg("compare").args(&folders).arg("--csv").arg(&csv).output().unwrap();
    assert!(compared.status.success(), "{}", said(&compared));
    let text = String::from_utf8(compared.stdout).unwrap();
    let table = rows(&csv);
    for folder in &folders {
        let name = folder.file_name().unwrap().to_string_lossy().into_owned();
        assert!(text.contains(&name) && text.contains(", invented)"), "{text}");
        for rating in rows(&folder.join("ratings.csv")) {
            let same = |row: &&std::collections::HashMap<String, String>| {
                row["run"] == name
                    && row["quantity"] == "measured power"
                    && number(row, "load_ohm") == number(&rating, "load_ohm")
                    && row["supply_v_set"] == rating["supply_v_set"]
                    && row["rated"] == rating["rated_w"]
            };
            let row = table.iter().find(same).unwrap_or_else(|| panic!("{rating:?} is not in {table:?}"));
            for (column, of) in
                [("measured", "measured_w"), ("expanded_u", "expanded_u_w"), ("verdict", "verdict")]
            {
                assert_eq!(row[column], rating[of], "{column}");
            }
        }
    }
    // One clips hard above its rating, the other bends long before its own: no uncertainty hides that.
    let measured: Vec<_> = table.iter().filter(|row| row["quantity"] == "measured power").collect();
    assert!(measured.iter().any(|row| row["significance"] == "significant"), "{measured:?}");
    // The curve tells the same power at the rating's own limit, and none at a limit that it does not reach.
    let by_curve = |limit: &str| {
        let rows = table
            .iter()
            .filter(|row| row["quantity"] == "clean power by the curve" && row["limit_pct"] == limit);
        rows.map(|row| (row["value"].clone(), row["note"].clone())).collect::<Vec<_>>()
    };
    assert_eq!(by_curve("1.0").iter().map(|one| &one.0).collect::<Vec<_>>().len(), measured.len());
    assert!(measured.iter().all(|row| by_curve("1.0").iter().any(|(value, _)| *value == row["measured"])));
    assert!(
        by_curve("10.0").iter().any(|(value, note)| value.is_empty() && note.contains("before that limit"))
    );
    assert!(text.lines().all(|line| line.chars().count() <= 100 || line.starts_with("  - ")), "{text}");
    let nothing = told(&["compare"], &[&folders[0], Path::new("/nowhere")]);
    assert!(!nothing.status.success() && said(&nothing).contains("no such folder"), "{}", said(&nothing));
}

/// Clean power at 0.1 %, read off the curve of a rating at 1 %, against the same amplifier judged at 0.1 % by a search of its
/// own: they agree within their uncertainties (JCGM 100:2008, 5.1.2). Runs without a self-check are refused, with the reason.
#[test]
fn clean_power_by_the_curve_is_what_a_search_at_that_limit_finds() {
    let served = Served::start("soft");
    let plate = served.bench().with_file_name("nameplate.toml");
    let results = served.bench().parent().unwrap().join("results");
    let script = served.script(bench::FIRST_RATING);
    let ran = served.run(&script).output().unwrap();
    let first = bench::only_folder(&results);
    let text = std::fs::read_to_string(&plate).unwrap();
    assert!(text.contains("limit_pct = 1.0"), "{text}");
    std::fs::write(&plate, text.replace("limit_pct = 1.0", "limit_pct = 0.1")).unwrap();
    let again = served.run(&script).arg("--without-selfcheck").output().unwrap();
    assert!(first.join("ratings.json").exists(), "{}", said(&ran));
    let names: Vec<_> = results.read_dir().unwrap().map(|entry| entry.unwrap().path()).collect();
    // Beside the catalogue, which is a file.
    let second = names
        .iter()
        .find(|path| path.is_dir() && **path != first)
        .unwrap_or_else(|| panic!("{}", said(&again)));
    let csv = served.folder.path().join("compared.csv");
    let compare = |words: &[&str]| {
        let mut command = Command::new(wattproof());
        command.arg("compare").args([&first, second]).arg("--csv").arg(&csv).args(words).output().unwrap()
    };
    let refused = compare(&[]);
    assert_eq!(refused.status.code(), Some(12), "{}", said(&refused));
    assert!(said(&refused).contains("self-check was left out") && !csv.exists(), "{}", said(&refused));
    let told = compare(&["--incomparable"]);
    let text = String::from_utf8_lossy(&told.stdout);
    assert!(told.status.success() && text.contains("NOT COMPARABLE"), "{text} {}", said(&told));
    let table = rows(&csv);
    let clean: Vec<_> = table
        .iter()
        .filter(|row| row["quantity"] == "clean power by the curve" && row["limit_pct"] == "0.1")
        .collect();
    let [by_curve, judged] = clean.as_slice() else { panic!("{clean:?}") };
    assert!(
        by_curve["note"].starts_with("between captures") && judged["note"].starts_with("as judged"),
        "{clean:?}"
    );
    assert_eq!(judged["significance"], "no difference shown", "{clean:?}");
    // A judged rating is far surer than what a curve made for another limit tells.
    assert!(number(judged, "expanded_u") < number(by_curve, "expanded_u"), "{clean:?}");
}
