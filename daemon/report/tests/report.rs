//! The report against the tables beside it, and what it says of runs that did not go as they should.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod folder;

use folder::{Folder, number, rows};
use serde_json::{Value, json};
use wattproof_report::{ReportError, report, with_u};

/// The text of a page without its marks, blanks as one.
fn told(page: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in page.chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            c if !inside => text.push(c),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn page(folder: &Folder) -> String {
    report(&folder.path).unwrap()
}

/// The numbers of the report are those of ratings.csv, rounded by JCGM 100:2008, 7.2.6.
#[test]
fn the_answers_are_those_of_the_table() {
    for (name, unit, measured, u) in [
        ("single", "W", "measured_w", "expanded_u_w"),
        ("bridged", "W", "measured_w", "expanded_u_w"),
        ("line", "V", "measured_vrms", "expanded_u_vrms"),
    ] {
        let folder = Folder::of(name);
        let text = told(&page(&folder));
        let mut judged = 0;
        for row in rows(&folder.file("ratings.csv")) {
            if !row["not_measured"].is_empty() {
                assert!(text.contains("Not answered") && text.contains(&row["not_measured"][..60]), "{name}");
                continue;
            }
            let (value, u) = with_u(number(&row, measured), number(&row, u));
            assert!(text.contains(&format!("{value} ± {u} {unit}")), "{name}: {value} ± {u}");
            assert!(text.contains(&format!("Why it stops there: {}", row["cause"])), "{name}");
            for fact in row["evidence"].split("; ").filter(|fact| !fact.contains('\'')) {
                assert!(text.contains(fact), "{name}: {fact}");
            }
            assert!(text.contains(&row["verdict"]), "{name}");
            judged += 1;
        }
        assert!(judged >= 1);
        assert!(
            text.contains("Invented scenario") && text.contains("nothing here was measured on a real device")
        );
    }
}

/// Everything a second person needs to do it again is there, from the record itself.
#[test]
fn what_it_takes_to_reproduce_a_run_is_told() {
    let folder = Folder::of("single");
    let text = told(&page(&folder));
    let run: Value = serde_json::from_str(&folder.text("run.json")).unwrap();
    let words = |key: &str| run[key].as_str().unwrap().to_string();
    for told in [words("script_sha256"), words("started_utc"), words("ended_utc"), words("journal_chain")] {
        assert!(text.contains(&told), "{told}");
    }
    for instrument in run["instruments"].as_array().unwrap() {
        assert!(text.contains(instrument["idn"].as_str().unwrap()));
    }
    for said in [
        "No calibration of digitizer inputs 1, 2, 3, 4",
        "Output power of a channel, at most",
        "never touch a live output",
        "Local codes and licensed practice",
        "[[rating]]",
        "find_ceiling(rating)",
        "wattproof recompute",
        "every line is as it was written",
        "not told",
    ] {
        assert!(text.contains(said), "{said}");
    }
}

/// One file, no network: nothing in it names anything outside (HTML Living Standard: what is loaded is named by these).
#[test]
fn nothing_outside_is_needed() {
    let page = page(&Folder::of("single"));
    for word in ["<script", "<link", "<img", "src=", "href=", "@import", "url("] {
        assert!(!page.contains(word), "{word}");
    }
    let addresses = page.matches("://").count();
    assert_eq!(addresses, page.matches("xmlns=\"http://www.w3.org/2000/svg\"").count(), "only names of XML");
    assert!(page.contains("@page") && page.contains("@media print") && page.contains("prefers-color-scheme"));
    assert_eq!(page.matches("<svg").count(), 4);
}

#[test]
fn a_run_without_an_end_says_so() {
    let folder = Folder::of("single");
    folder.cut_off_at("closed");
    let text = told(&page(&folder));
    assert!(text.contains("Not ended.") && text.contains("no end is recorded"), "{text}");
    assert!(text.contains("115.60 ± 0.43 W"), "what was judged stays");
    let folder = Folder::of("single");
    folder.unjudged();
    let text = told(&page(&folder));
    assert!(
        text.contains("Not answered Rating 1: 100 W into 4 ohm at 14.4 V, 1000 Hz : not judged so far"),
        "{text}"
    );
    assert!(text.contains("not judged yet"), "the figure tells its points");
}

/// Between the journal's first line and the tables a run has nothing to tell but what it is.
#[test]
fn a_run_that_has_just_begun_is_told() {
    let folder = Folder::of("single");
    folder.change_journal(|lines| lines.truncate(1));
    for name in ["steps.csv", "curve.csv", "ratings.csv", "bursts.csv", "ratings.json"] {
        std::fs::remove_file(folder.file(name)).unwrap();
    }
    let text = told(&page(&folder));
    for said in
        ["Not ended.", "Steps none recorded", "No step of a rating is recorded", "did not come to its end"]
    {
        assert!(text.contains(said), "{said}: {text}");
    }
}

#[test]
fn a_stopped_and_a_failed_run_say_so() {
    for (outcome, words) in
        [("stopped", "Stopped. A person stopped it"), ("failed", "Failed. Something failed")]
    {
        let folder = Folder::of("single");
        folder.change_journal(|lines| {
            lines.retain(|(kind, _)| kind != "rating");
            let closed = &mut lines.last_mut().unwrap().1;
            (closed["outcome"], closed["error"]) = (json!(outcome), json!("the <cable> came off"));
            closed["safe"]["supply_off"] = json!(false);
            closed["safe"]["warnings"] = json!(["go and switch it off by hand"]);
        });
        let text = told(&page(&folder));
        for said in [
            words,
            "the &#60;cable&#62; came off",
            "ALARM: an output was not confirmed off",
            "go and switch it off by hand",
        ] {
            assert!(text.contains(said), "{said}: {text}");
        }
    }
}

#[test]
fn resumptions_a_missing_check_and_an_expired_calibration_are_told() {
    let folder = Folder::of("single");
    folder.change_journal(|lines| {
        let opened = &mut lines[0].1;
        opened["selfcheck"] = json!(false);
        opened["wattproof_version"] = json!("0.0.1");
        opened["nameplate"]["invented"] = json!(false);
        let input = &mut opened["bench"]["digitizer"]["channel"][0];
        input["calibration"] = json!({
            "date": "2020-01-01", "due": "2021-01-01", "meter": "meter of <yore>", "points": 5, "highest": 30.0,
            "gain_u_pct": 0.02, "offset_u_v": 1e-4, "linearity_v": 1e-4,
        });
        let last = lines.len() - 1;
        let resumed = json!({ "from_seq": last, "steps": 6, "at_utc": "2026-11-26T13:00:00Z", "gap_s": 5400.0, "instruments": [] });
        lines.insert(last, ("resumed".into(), resumed));
    });
    let text = told(&page(&folder));
    for said in [
        "The self-check of the bench was left out",
        "went on at 2026-11-26T13:00:00Z after a gap of 90.0 min",
        "Expired calibration of digitizer inputs 1",
        "meter of &#60;yore&#62;",
        "recorded by version 0.0.1",
        "The instruments are simulated: nothing here was measured on a real device",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    assert!(!text.contains("Invented scenario"));
}

/// Fault 54: whatever maker, model, serial number, script and flags say, the page runs nothing of it.
#[test]
fn fault_54_no_text_of_a_run_becomes_a_part_of_the_page() {
    let evil = "<script>alert(1)</script>\"'&<img src=x onerror=alert(1)>";
    let folder = Folder::of("single");
    folder.change_journal(|lines| {
        for (kind, data) in lines.iter_mut() {
            match kind.as_str() {
                "opened" => {
                    for key in ["maker", "model", "serial"] {
                        data["nameplate"][key] = json!(evil);
                    }
                    (data["source"], data["script"], data["bench"]["name"]) =
                        (json!(evil), json!(evil), json!(evil));
                    data["instruments"][0]["idn"] = json!(evil);
                    data["limits"][evil] = json!(1.0);
                }
                "rating" => {
                    (data["notes"], data["verdict_words"]) = (json!([evil]), json!(evil));
                    data["ceiling"]["evidence"] = json!([evil]);
                }
                "not_measured" => data["why"] = json!(evil),
                "closed" => data["error"] = json!(evil),
                _ => {}
            }
        }
    });
    folder.change_json("run.json", |run| run["nameplate"]["maker"] = json!(evil));
    let page = page(&folder);
    for word in ["<script", "<img", "onerror=alert(1)>"] {
        assert!(!page.contains(word), "{word}");
    }
    assert!(page.contains("&#60;script&#62;alert(1)"), "it is shown as text");
    let figure = wattproof_report::distortion(&folder.path).unwrap();
    assert!(!figure.contains("<script"));
    let tree = roxmltree::Document::parse(&figure).unwrap();
    assert!(tree.root_element().attribute("aria-label").unwrap().contains("<script>alert(1)"));
}

#[test]
fn a_lost_capture_is_told_and_the_rest_stays() {
    let text = told(&page(&Folder::of("line")));
    assert!(
        text.contains("The capture of step 4 can&#39;t be shown") || text.contains("can't be shown"),
        "{text}"
    );
    let folder = Folder::of("single");
    let capture = folder.file("captures/000139.cap");
    let mut bytes = std::fs::read(&capture).unwrap();
    bytes[3000] ^= 1;
    std::fs::write(&capture, bytes).unwrap();
    assert!(told(&page(&folder)).contains("are not those whose hash the journal holds"));
}

#[test]
fn a_damaged_journal_is_told_or_refused_with_the_line() {
    let folder = Folder::of("single");
    let lines = folder.text("journal.jsonl").replacen("\"purpose\":\"curve\"", "\"purpose\":\"furve\"", 1);
    folder.put("journal.jsonl", &lines);
    let text = told(&page(&folder));
    assert!(text.contains("The journal is damaged from line 1"), "{text}");
    let first = format!("x{lines}");
    folder.put("journal.jsonl", &first);
    let error = refused(&folder).to_string();
    assert!(
        error.contains("journal.jsonl") && error.contains("line 1 is damaged") && error.contains("copy"),
        "{error}"
    );
    folder.put("journal.jsonl", "");
    assert!(refused(&folder).to_string().contains("does not tell what was run"));
}

/// Why a folder is refused.
fn refused(folder: &Folder) -> ReportError {
    report(&folder.path).err().unwrap_or_else(|| panic!("a report was made of it"))
}

#[test]
fn missing_and_senseless_tables_are_errors_that_say_what_to_do() {
    for (name, word, other) in
        [("steps.csv", "4.0,14.4", "four,14.4"), ("curve.csv", ",measured,", ",guessed,")]
    {
        let folder = Folder::of("single");
        let whole = folder.text(name);
        std::fs::remove_file(folder.file(name)).unwrap();
        let error = refused(&folder);
        assert!(error.is_missing() && error.to_string().contains("wattproof rebuild"), "{error}");
        folder.put(name, "step,at_s\n1,2\n");
        let error = refused(&folder).to_string();
        assert!(error.contains(name) && error.contains("missing field"), "{error}");
        folder.put(name, &whole.replacen(word, other, 1));
        let error = refused(&folder).to_string();
        let what = if name == "steps.csv" { "row 2, load_ohm: " } else { "row 2: unknown variant `guessed`" };
        assert!(error.contains(name) && error.contains(what), "{error}");
    }
    let nowhere = report(std::path::Path::new("/nowhere")).err().unwrap();
    assert!(nowhere.is_missing(), "{nowhere}");
}

/// Faults 52 and 53: neither a link out of the folder nor a file of a terabyte costs more than an error.
#[test]
fn fault_52_and_53_links_and_huge_files_are_refused() {
    for name in ["journal.jsonl", "steps.csv", "curve.csv", "captures"] {
        let folder = Folder::of("single");
        let elsewhere = folder.path.with_extension("elsewhere");
        std::fs::rename(folder.file(name), &elsewhere).unwrap();
        std::os::unix::fs::symlink(&elsewhere, folder.file(name)).unwrap();
        let error = refused(&folder).to_string();
        assert!(error.contains("symbolic link"), "{name}: {error}");
        if name != "captures" {
            std::fs::remove_file(folder.file(name)).unwrap();
            std::fs::File::create(folder.file(name)).unwrap().set_len(1 << 42).unwrap();
            assert!(refused(&folder).to_string().contains(name), "{name}");
        }
    }
}
