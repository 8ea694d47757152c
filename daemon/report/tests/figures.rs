//! Figures: well-formed XML, with the numbers of the tables at the places where they belong.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod folder;

use folder::{Folder, number, rows};
use roxmltree::{Document, Node};
use wattproof_report::{compare_figure, distortion, spectrum, supply, waveform};

fn class<'a>(node: &Node<'a, 'a>) -> &'a str {
    node.attribute("class").unwrap_or_default()
}

fn floats(text: &str) -> Vec<f64> {
    text.split([' ', ',']).filter_map(|part| part.parse().ok()).collect()
}

/// Texts of a figure.
fn texts(tree: &Document<'_>) -> Vec<String> {
    let texts = tree.descendants().filter(|node| node.has_tag_name("text"));
    texts.filter_map(|node| node.text().map(str::to_string)).collect()
}

/// Place of a number of an axis, by the text below (x) the panel.
fn x_of(tree: &Document<'_>, label: &str, y: f64) -> f64 {
    let own = |node: &Node<'_, '_>| {
        node.has_tag_name("text")
            && node.text() == Some(label)
            && (floats(node.attribute("y").unwrap())[0] - y).abs() < 1.0
    };
    floats(tree.descendants().find(own).unwrap_or_else(|| panic!("{label}")).attribute("x").unwrap())[0]
}

#[test]
fn every_figure_is_well_formed_and_names_itself() {
    for name in ["single", "line", "bridged"] {
        let folder = Folder::of(name);
        let mut figures = vec![distortion(&folder.path).unwrap(), supply(&folder.path).unwrap()];
        if name == "single" {
            figures.push(waveform(&folder.path, Some(4), None).unwrap());
            figures.push(spectrum(&folder.path, Some(4), Some(2)).unwrap());
        }
        figures.push(compare_figure(&[folder.path.clone(), folder.path.clone()]).unwrap());
        for figure in figures {
            let tree = Document::parse(&figure).unwrap();
            let root = tree.root_element();
            // SVG 1.1, 5.4; WAI-ARIA 1.2: a picture for assistive technology has a role and a name.
            assert_eq!(root.attribute("role"), Some("img"));
            assert!(root.attribute("aria-label").is_some_and(|label| label.len() > 10));
            for tag in ["title", "desc"] {
                assert!(root.children().any(|node| node.has_tag_name(tag) && node.text().is_some()), "{tag}");
            }
            assert!(!figure.contains("NaN") && !figure.contains("inf"), "{name}");
            assert!(texts(&tree).iter().any(|text| text.contains("Invented device")), "{name}");
        }
    }
}

/// The ceiling stands where the logarithmic axis puts ratings.csv's number, between the labelled powers around it.
#[test]
fn a_ceiling_stands_where_the_axis_says() {
    let folder = Folder::of("single");
    let figure = distortion(&folder.path).unwrap();
    let tree = Document::parse(&figure).unwrap();
    let ratings = rows(&folder.file("ratings.csv"));
    let measured_w =
        ratings.iter().find(|row| row["rating"] == "1").map(|row| number(row, "measured_w")).unwrap();
    let ring = tree.descendants().find(|node| node.has_tag_name("circle") && class(node).contains("wp-open"));
    let at = floats(ring.unwrap().attribute("cx").unwrap())[0];
    // The panel ends at 404, its numbers stand 17 below.
    let (ten, hundred) = (x_of(&tree, "10", 421.0), x_of(&tree, "100", 421.0));
    let expected = hundred + (hundred - ten) * (measured_w / 100.0).log10();
    assert!((at - expected).abs() < 0.2, "{at}, expected {expected}");
    let described = tree.descendants().find(|node| node.has_tag_name("desc")).unwrap().text().unwrap();
    assert!(described.contains("115.60 W ± 0.43 W measured at 1 %"), "{described}");
}

/// Every measured step of the table has its mark.
#[test]
fn every_measured_point_is_marked() {
    let folder = Folder::of("single");
    let figure = distortion(&folder.path).unwrap();
    let tree = Document::parse(&figure).unwrap();
    let points = rows(&folder.file("curve.csv")).iter().filter(|row| row["point"] == "measured").count();
    let dots = tree.descendants().filter(|node| {
        node.has_tag_name("circle")
            && class(node) == "wp-mark wp-k0 wp-f0"
            && node.attribute("r") == Some("3")
    });
    assert_eq!(dots.count(), points);
}

/// The waveform's peak is that of steps.csv: the least and greatest of the drawn line against the axis.
#[test]
fn the_waveform_reaches_the_peak_of_the_table() {
    let folder = Folder::of("single");
    let figure = waveform(&folder.path, Some(4), Some(1)).unwrap();
    let tree = Document::parse(&figure).unwrap();
    let steps = rows(&folder.file("steps.csv"));
    let row = steps.iter().find(|row| row["step"] == "4" && row["channel"] == "1").unwrap();
    let line = tree.descendants().find(|node| node.has_tag_name("polyline")).unwrap();
    let points = floats(line.attribute("points").unwrap());
    let top = points.iter().skip(1).step_by(2).copied().fold(f64::INFINITY, f64::min);
    let label = |text: &str| {
        let node = tree.descendants().find(|node| node.has_tag_name("text") && node.text() == Some(text));
        // Numbers stand 4.5 below their line.
        floats(node.unwrap_or_else(|| panic!("{text}")).attribute("y").unwrap())[0] - 4.5
    };
    let (zero, twenty) = (label("0"), label("20"));
    let peak_v = 20.0 * (zero - top) / (zero - twenty);
    let expected_v = number(row, "out_vpk");
    assert!((peak_v / expected_v - 1.0).abs() < 0.01, "{peak_v}, expected {expected_v}");
}

/// The fundamental stands at 20·lg of its rms of steps.csv (dBV, re 1 V rms: definition), the band ends at 20 kHz (AES17,
/// from memory).
#[test]
fn the_spectrum_is_in_dbv_and_shows_the_bands_edge() {
    let folder = Folder::of("single");
    let figure = spectrum(&folder.path, Some(4), Some(1)).unwrap();
    let tree = Document::parse(&figure).unwrap();
    let steps = rows(&folder.file("steps.csv"));
    let row = steps.iter().find(|row| row["step"] == "4" && row["channel"] == "1").unwrap();
    let dbv = 20.0 * number(row, "fundamental_vrms").log10();
    let line = tree.descendants().find(|node| node.has_tag_name("polyline")).unwrap();
    let points = floats(line.attribute("points").unwrap());
    let top = points.iter().skip(1).step_by(2).copied().fold(f64::INFINITY, f64::min);
    let label = |text: &str| {
        let node = tree.descendants().find(|node| node.has_tag_name("text") && node.text() == Some(text));
        floats(node.unwrap().attribute("y").unwrap())[0] - 4.5
    };
    let (zero, twenty) = (label("0"), label("20"));
    let shown_dbv = 20.0 * (zero - top) / (zero - twenty);
    // Scalloping of the window: up to 0.83 dB low (Harris 1978); half a unit of the picture is 0.3 dB.
    assert!(shown_dbv < dbv + 0.3 && shown_dbv > dbv - 1.2, "{shown_dbv}, expected {dbv}");
    let edges = tree.descendants().filter(|node| node.has_tag_name("line") && class(node) == "wp-limit");
    let edges: Vec<f64> = edges.map(|node| floats(node.attribute("x1").unwrap())[0]).collect();
    let (thousand, ten_thousand) = (x_of(&tree, "1000", 421.0), x_of(&tree, "10000", 421.0));
    let expected = ten_thousand + (ten_thousand - thousand) * 2f64.log10();
    assert!(edges.iter().any(|edge| (edge - expected).abs() < 0.3), "{edges:?}, expected {expected}");
}

#[test]
fn a_run_that_goes_on_is_drawn_as_far_as_it_is() {
    let folder = Folder::of("single");
    folder.unjudged();
    // A row on its way to the disk.
    let steps = folder.text("steps.csv");
    folder.put("steps.csv", &format!("{steps}7,9.9,cur"));
    let figure = distortion(&folder.path).unwrap();
    let tree = Document::parse(&figure).unwrap();
    assert!(tree.descendants().any(|node| node.has_tag_name("polyline")));
    assert!(!tree.descendants().any(|node| node.has_tag_name("circle") && class(&node).contains("wp-open")));
    assert!(supply(&folder.path).unwrap().contains("polyline"));
    let head = steps.lines().next().unwrap();
    folder.put("steps.csv", &format!("{head}\r\n"));
    assert!(distortion(&folder.path).unwrap().contains("No step of a rating is recorded"));
    assert!(supply(&folder.path).unwrap().contains("Nothing is recorded"));
}

#[test]
fn a_step_or_channel_that_is_not_there_is_named_with_those_that_are() {
    let folder = Folder::of("single");
    let error = waveform(&folder.path, Some(99), None).unwrap_err();
    assert!(error.is_missing() && error.to_string().contains("it has 1 to 6"), "{error}");
    let error = spectrum(&folder.path, Some(4), Some(7)).unwrap_err();
    assert!(error.is_missing() && error.to_string().contains("it has 1, 2"), "{error}");
    // The last step's capture is not in this copy.
    let error = waveform(&folder.path, None, None).unwrap_err().to_string();
    assert!(error.contains("000153.cap"), "{error}");
    folder.cut_off_at("step");
    let error = waveform(&folder.path, None, None).unwrap_err();
    assert!(error.is_missing() && error.to_string().contains("none is recorded yet"), "{error}");
}
