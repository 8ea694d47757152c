//! Runs side by side: claims, quantities, conditions, figures and the table, against the records they come from.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod folder;

use std::path::PathBuf;

use folder::{Folder, number, rows};
use serde_json::{Value, json};
use wattproof_report::{
    Comparison, How, Overlay, Quantity, ReportError, compare, compare_figure, compare_page, compared_table,
};

const ALL_THE_SAME: How = How { by_unit: false, incomparable: true };

fn paths(folders: &[&Folder]) -> Vec<PathBuf> {
    folders.iter().map(|folder| folder.path.clone()).collect()
}

fn told(folders: &[&Folder]) -> Comparison {
    compare(&paths(folders), ALL_THE_SAME).unwrap()
}

fn quantity<'a>(told: &'a Comparison, name: &str, limit_pct: Option<f64>) -> &'a Quantity {
    let found = told
        .quantities
        .iter()
        .find(|row| row.quantity == name && (limit_pct.is_none() || row.limit_pct == limit_pct));
    found.unwrap_or_else(|| panic!("no {name} in {:?}", told.quantities))
}

/// A table of findings as a run writes it (README.md), a row each: name, channel, value, unit, U, conditions.
fn state(folder: &Folder, findings: &[(&str, &str, f64, &str, &str, &str)]) {
    let mut text = "finding,at_s,name,channel,value,unit,expanded_u,at,low,high,verdict,note\r\n".to_string();
    for (number, (name, channel, value, unit, u, at)) in (1..).zip(findings) {
        text.push_str(&format!("{number},1.0,{name},{channel},{value},{unit},{u},\"{at}\",,,,\r\n"));
    }
    folder.put("findings.csv", &text);
}

#[test]
fn the_same_run_twice_differs_in_nothing() {
    let (a, b) = (Folder::of("single"), Folder::of("single"));
    // These two are refused for nothing.
    let told = compare(&paths(&[&a, &b]), How::default()).unwrap();
    assert_eq!((told.differences.len(), told.incomparable.len(), told.rows.len()), (0, 0, 1));
    assert_eq!(told.rows[0].cells[0], told.rows[0].cells[1]);
    assert!(told.rows[0].cells[0].is_some());
    let shown: Vec<_> = told.quantities.iter().filter_map(|row| row.differences[1]).collect();
    assert!(!shown.is_empty() && shown.iter().all(|one| one.by == 0.0 && one.significant != Some(true)));
    let page = compare_page(&paths(&[&a, &b]), How::default()).unwrap();
    assert!(
        page.contains("115.60 W ± 0.43 W")
            && page.contains("no difference shown")
            && !page.contains("<script")
    );
    assert!(!page.contains("not comparable"));
}

type Change = fn(&mut Value);

/// Each thing that differs is named, alone; what makes numbers incomparable is refused with the reason, and only that.
#[test]
fn every_difference_is_named_and_what_is_incomparable_refused() {
    // Project definition (daemon/report/src/compare/conditions.rs gives the reason of each).
    let changes: [(&str, bool, Change); 15] = [
        ("script", false, |run| run["script_sha256"] = json!("00112233445566")),
        ("distortion limits", false, |run| run["nameplate"]["rating"][0]["limit_pct"] = json!(0.1)),
        ("test frequencies", false, |run| run["nameplate"]["rating"][0]["hz"] = json!(40.0)),
        ("bench", false, |run| run["bench"]["name"] = json!("another")),
        ("sampling rate", false, |run| run["bench"]["digitizer"]["rate_hz"] = json!(96_000.0)),
        ("sampling rate", true, |run| run["bench"]["digitizer"]["rate_hz"] = json!(32_000.0)),
        ("version of the program", false, |run| run["wattproof_version"] = json!("0.2.0")),
        ("version of the program", true, |run| run["wattproof_version"] = json!("1.0.0")),
        ("mains frequency", true, |run| run["bench"]["mains_hz"] = json!(60.0)),
        ("instruments", false, |run| run["instruments"][0]["idn"] = json!("Invented,other source,1,1")),
        ("calibration", true, |run| {
            for input in run["calibrations"].as_array_mut().unwrap() {
                input["calibration"] = json!("valid");
            }
        }),
        ("self-check", true, |run| run["selfcheck"] = json!("left_out")),
        ("self-check", true, |run| run["selfcheck"]["made"]["checks"][0]["result"] = json!("wrong")),
        ("invented or real", true, |run| run["nameplate"]["invented"] = json!(false)),
        ("how it ended", true, |run| run["outcome"] = json!("stopped")),
    ];
    let whole = Folder::of("single");
    for (name, refused, change) in changes {
        let other = Folder::of("single");
        other.change_json("run.json", change);
        let told = told(&[&whole, &other]);
        assert_eq!(told.differences.len(), 1, "{name}: {:?}", told.differences);
        assert!(told.differences[0].starts_with(&format!("{name} – ")), "{:?}", told.differences);
        assert_eq!(told.incomparable.len(), usize::from(refused), "{name}: {:?}", told.incomparable);
        match compare(&paths(&[&whole, &other]), How::default()) {
            Err(error @ ReportError::Incomparable { .. }) => {
                let text = error.to_string();
                assert!(
                    refused && text.contains("--incomparable") && text.contains(&told.incomparable[0]),
                    "{text}"
                );
            }
            Err(error) => panic!("{error}"),
            Ok(_) => assert!(!refused, "{name} was not refused"),
        }
    }
}

/// Put side by side all the same, page, table and figures say so loudly.
#[test]
fn incomparable_numbers_are_marked_wherever_they_stand() {
    let (whole, other) = (Folder::of("single"), Folder::of("single"));
    other.change_json("run.json", |run| run["bench"]["mains_hz"] = json!(60.0));
    let both = paths(&[&whole, &other]);
    for overlay in [Overlay::Distortion, Overlay::Bars] {
        assert!(compare_figure(&both, How::default(), overlay).is_err());
        assert!(compare_figure(&both, ALL_THE_SAME, overlay).unwrap().contains("NOT COMPARABLE"));
    }
    assert!(compare_page(&both, How::default()).is_err());
    let page = compare_page(&both, ALL_THE_SAME).unwrap();
    assert!(
        page.contains("These numbers are not comparable") && page.contains("hum falls on other frequencies")
    );
    let table = compared_table(&told(&[&whole, &other])).csv().unwrap();
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let rows: Vec<std::collections::BTreeMap<String, String>> =
        reader.deserialize().map(Result::unwrap).collect();
    assert!(!rows.is_empty() && rows.iter().all(|row| row["incomparable"].contains("mains frequency")));
}

/// A claim that only one of them has stands in a row of its own, with nothing from the other.
#[test]
fn claims_at_other_conditions_stand_apart() {
    let (single, line, bridged) = (Folder::of("single"), Folder::of("line"), Folder::of("bridged"));
    let told = told(&[&single, &line, &bridged]);
    assert_eq!(told.rows.len(), 3);
    for (index, row) in told.rows.iter().enumerate() {
        let there: Vec<bool> = row.cells.iter().map(Option::is_some).collect();
        assert_eq!(there, [index == 0, index == 1, index == 2]);
    }
    let (volts, watts) = ("clean output by the curve", "clean power by the curve");
    assert_eq!(
        (quantity(&told, volts, None).unit.as_str(), quantity(&told, watts, None).unit.as_str()),
        ("V", "W")
    );
    let told = serde_json::to_value(&told).unwrap();
    assert_eq!(told["rows"][1]["cells"][1]["unit"], "V");
    assert_eq!(
        (&told["rows"][2]["driven"], &told["rows"][0]["limit_by"]),
        (&json!("bridged"), &json!("thdn"))
    );
    assert!(
        told["differences"].as_array().unwrap().iter().any(|one| one.as_str().unwrap().contains("wiring"))
    );
}

/// Clean power at the three limits: the rating's own where it has the limit, between the captures around it elsewhere, and
/// absent with the reason where the curve does not reach it.
#[test]
fn clean_power_is_read_off_the_curve_and_never_beyond_it() {
    let folder = Folder::of("bridged");
    let told = told(&[&folder, &folder]);
    let cell =
        |limit_pct| quantity(&told, "clean power by the curve", Some(limit_pct)).cells[0].clone().unwrap();
    let rating = &rows(&folder.file("ratings.csv")).into_iter().find(|row| row["rating"] == "3").unwrap();
    let own = cell(1.0);
    assert_eq!(own.value, Some(number(rating, "measured_w")));
    assert_eq!(own.expanded_u, Some(number(rating, "expanded_u_w")));
    // 0.1 % lies between the captures at 0.0026 % and 0.34 % (curve.csv).
    let clean = cell(0.1);
    let (watts, u) = (clean.value.unwrap(), clean.expanded_u.unwrap());
    assert!(watts > 228.45 && watts < 274.2, "{watts}");
    assert!(watts - u < 229.0 && watts + u > 274.0, "U holds both captures: {watts} ± {u}");
    assert!(clean.note.contains("228.5 W") && clean.note.contains("274.2 W"), "{}", clean.note);
    let beyond = cell(10.0);
    assert!(
        beyond.value.is_none() && beyond.expanded_u.is_none() && beyond.note.contains("ends at 4.948 %"),
        "{}",
        beyond.note
    );
    // Never that clean: every point above the limit.
    let noisy = Folder::of("bridged");
    let dirty = noisy.text("curve.csv").replace(",0.00", ",3.00");
    noisy.put("curve.csv", &dirty.replace(",0.06252", ",3.06252"));
    let told = compare(&paths(&[&noisy, &noisy]), ALL_THE_SAME).unwrap();
    let never = quantity(&told, "clean power by the curve", Some(0.1)).cells[0].clone().unwrap();
    assert!(never.value.is_none() && never.note.contains("never gets that clean"), "{never:?}");
}

/// Sum of the channels; price over that (arithmetic); U of the price by first order (JCGM 100:2008, 5.1.2).
#[test]
fn all_channels_together_and_what_a_watt_costs() {
    let (dear, unpriced) = (Folder::of("single"), Folder::of("single"));
    dear.change_json("run.json", |run| {
        run["nameplate"]["price"] = json!(199.0);
        run["nameplate"]["currency"] = json!("EUR");
    });
    let told = told(&[&dear, &unpriced]);
    let total = quantity(&told, "total clean power", None).cells[0].clone().unwrap();
    // run.json: 116.40541508817167 W and 115.59140082201964 W at the ceiling, correction 1.000040423733973.
    let expected_w = 1.000_040_423_733_973 * (116.405_415_088_171_67 + 115.591_400_822_019_64);
    assert!((total.value.unwrap() / expected_w - 1.0).abs() < 1e-12);
    let price = quantity(&told, "price per clean watt", None);
    assert_eq!(price.unit, "EUR/W");
    let cell = price.cells[0].clone().unwrap();
    assert!((cell.value.unwrap() - 199.0 / expected_w).abs() < 1e-12);
    let relative = |value: Option<f64>, u: Option<f64>| u.unwrap() / value.unwrap();
    assert!((relative(cell.value, cell.expanded_u) - relative(total.value, total.expanded_u)).abs() < 1e-12);
    assert!(price.cells[1].is_none() && price.differences[1].is_none());
    let efficiency = quantity(&told, "efficiency at the ceiling", None).cells[0].clone().unwrap();
    assert_eq!((efficiency.value, efficiency.expanded_u), (Some(60.665646071498436), None));
}

/// Findings of the same name, channel and unit stand in a row; a difference beyond the root of the sum of squares of both U
/// is significant (JCGM 100:2008, 5.1.2: 0.3, 0.4 and 0.5).
#[test]
fn findings_are_matched_and_their_differences_judged() {
    let (a, b) = (Folder::of("single"), Folder::of("single"));
    state(
        &a,
        &[
            ("gain", "1", 29.9, "dB", "0.3", "2.31 V rms, 4 ohm"),
            ("gain", "2", 29.9, "dB", "0.3", "2.31 V rms, 4 ohm"),
            ("idle current", "", 1.9, "A", "", "14.4 V supply"),
            ("clean power", "", 61.0, "W", "0.5", "10.5 V supply, 1000 Hz, 4 ohm"),
            ("clean power", "", 115.0, "W", "0.5", "14.4 V supply, 1000 Hz, 4 ohm"),
        ],
    );
    state(
        &b,
        &[
            ("gain", "1", 30.45, "dB", "0.4", "2.40 V rms, 4 ohm"),
            ("gain", "2", 30.35, "dB", "0.4", "2.40 V rms, 4 ohm"),
            ("idle current", "", 2.5, "A", "", "14.4 V supply"),
            ("clean power", "", 114.8, "W", "0.5", "14.4 V supply, 1000 Hz, 4 ohm"),
        ],
    );
    let told = told(&[&a, &b]);
    let gain = |channel| {
        told.quantities.iter().find(|row| row.quantity == "gain" && row.channel == Some(channel)).unwrap()
    };
    let of = |row: &Quantity| row.differences[1].unwrap();
    assert_eq!((of(gain(1)).significant, of(gain(2)).significant), (Some(true), Some(false)));
    assert!((of(gain(1)).expanded_u.unwrap() - 0.5).abs() < 1e-12);
    assert_eq!(of(quantity(&told, "idle current", None)).significant, None);
    let swept: Vec<&Quantity> = told.quantities.iter().filter(|row| row.quantity == "clean power").collect();
    let there: Vec<_> =
        swept.iter().map(|row| (row.at.split(' ').next().unwrap(), row.cells[1].is_some())).collect();
    assert_eq!(there, [("10.5", false), ("14.4", true)]);
    // Only A swept: one line of two points.
    let figure = compare_figure(&paths(&[&a, &b]), ALL_THE_SAME, Overlay::Sweeps).unwrap();
    let tree = roxmltree::Document::parse(&figure).unwrap();
    let lines = tree.descendants().filter(|node| {
        node.attribute("stroke-width") == Some("1.8") && node.attribute("fill") == Some("none")
    });
    assert!(figure.contains("61 at 10.5, 115 at 14.4") && lines.count() >= 1, "{figure}");
    assert!(matches!(
        compare_figure(&paths(&[&b, &b]), ALL_THE_SAME, Overlay::Sweeps),
        Err(ReportError::NothingToDraw { .. })
    ));
}

/// Runs of one unit in one column: the newest that tells a number counts, and says which run it is.
#[test]
fn runs_of_a_unit_share_a_column() {
    let (old, new, other) = (Folder::of("single"), Folder::of("single"), Folder::of("single"));
    let unit = |folder: &Folder, serial: &str, began: &str| {
        folder.change_json("run.json", |run| {
            run["nameplate"]["serial"] = json!(serial);
            run["nameplate"]["golden"] = json!(serial == "7");
            run["started_utc"] = json!(began);
        });
    };
    unit(&old, "7", "2026-11-01T10:00:00Z");
    unit(&new, "7", "2026-11-02T10:00:00Z");
    unit(&other, "8", "2026-11-03T10:00:00Z");
    // Names tell them apart.
    let renamed = |folder: &Folder, name: &str| {
        let path = folder.path.with_file_name(name);
        std::fs::rename(&folder.path, &path).unwrap();
        path
    };
    state(&old, &[("gain", "1", 29.0, "dB", "0.1", ""), ("hum", "1", 0.001, "V rms", "", "")]);
    state(&new, &[("gain", "1", 30.0, "dB", "0.1", "")]);
    let all = [renamed(&old, "old"), renamed(&new, "new"), renamed(&other, "other")];
    let by_unit = How { by_unit: true, incomparable: false };
    let told = compare(&all, by_unit).unwrap();
    assert_eq!(
        told.columns.iter().map(|column| column.runs.clone()).collect::<Vec<_>>(),
        [vec!["new", "old"], vec!["other"]]
    );
    assert_eq!(
        (told.columns[0].golden, told.columns[1].golden, told.columns[0].serial.as_deref()),
        (true, false, Some("7"))
    );
    let from = |name: &str| {
        let cell = quantity(&told, name, None).cells[0].clone().unwrap();
        (cell.run, cell.value.unwrap())
    };
    assert_eq!((from("gain"), from("hum")), (("new".into(), 30.0), ("old".into(), 0.001)));
    assert_eq!((told.rows.len(), told.rows[0].cells[0].as_ref().unwrap().run.as_str()), (1, "new"));
    // Without a serial number nobody can tell that they are one unit.
    let nameless = Folder::of("single");
    let told = compare(&paths(&[&nameless, &nameless]), by_unit).unwrap();
    assert_eq!(told.columns.len(), 2);
}

/// Fault 54 (OWASP, "CSV Injection"): words of nameplates and scripts are harmless in the table, and text in the page.
#[test]
fn fault_54_hostile_words_stay_words() {
    let hostile = Folder::of("single");
    hostile.change_json("run.json", |run| {
        run["nameplate"]["maker"] = json!("=cmd|' /C calc'!A0");
        run["nameplate"]["model"] = json!("@SUM(1+1)<script>alert(1)</script>");
        run["nameplate"]["serial"] = json!("+49");
    });
    state(&hostile, &[("=1+1", "", 1.0, "-x", "", "@here")]);
    let name = hostile.path.with_file_name("-2+3");
    std::fs::rename(&hostile.path, &name).unwrap();
    let both = [name.clone(), name];
    let text = compared_table(&compare(&both, ALL_THE_SAME).unwrap()).csv().unwrap();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let rows: Vec<std::collections::BTreeMap<String, String>> =
        reader.deserialize().map(Result::unwrap).collect();
    let last = rows.last().unwrap();
    for (column, cell) in [
        ("maker", "'=cmd|' /C calc'!A0"),
        ("model", "'@SUM(1+1)<script>alert(1)</script>"),
        ("serial", "'+49"),
        ("run", "'-2+3"),
        ("quantity", "'=1+1"),
        ("unit", "'-x"),
        ("at", "'@here"),
    ] {
        assert_eq!(last[column], cell);
    }
    for row in &rows {
        for cell in row.values().filter(|cell| cell.parse::<f64>().is_err()) {
            assert!(!cell.starts_with(['=', '+', '-', '@']), "{cell}");
        }
    }
    let page = compare_page(&both, ALL_THE_SAME).unwrap();
    assert!(!page.contains("<script>alert") && page.contains("&#60;script&#62;"), "escaped");
}
