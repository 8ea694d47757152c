//! Figures: well-formed XML, with the numbers of the tables at the places where they belong.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod folder;

use folder::{Folder, number, rows};
use roxmltree::{Document, Node};
use wattproof_report::{How, Overlay, compare_figure, distortion, spectrum, supply, waveform};

/// Whatever the conditions.
const ALL_THE_SAME: How = How { by_unit: false, incomparable: true };

/// Colours of the light figure: of the first kind, and of limits.
const FIRST: &str = "#0a5ca8";
const LIMIT: &str = "#21272d";
/// Numbers of y stand this far below their line.
const BELOW_LINE: f64 = 4.74;

fn floats(text: &str) -> Vec<f64> {
    text.split([' ', ',']).filter_map(|part| part.parse().ok()).collect()
}

/// Texts of a figure.
fn texts(tree: &Document<'_>) -> Vec<String> {
    let texts = tree.descendants().filter(|node| node.has_tag_name("text"));
    texts.filter_map(|node| node.text().map(str::to_string)).collect()
}

/// A panel of a figure, the topmost first; places within it are its own.
fn panel<'a>(tree: &'a Document<'a>, number: usize) -> Node<'a, 'a> {
    tree.root_element().children().filter(|node| node.has_tag_name("g")).nth(number).unwrap()
}

fn is_ring(node: &Node<'_, '_>) -> bool {
    node.has_tag_name("circle") && node.attribute("fill-opacity") == Some("0")
}

/// Curves of a panel: lines of the width of curves, whatever their colour.
fn curves<'a>(panel: &Node<'a, 'a>) -> Vec<Node<'a, 'a>> {
    let curve =
        |node: &Node<'_, '_>| node.has_tag_name("path") && node.attribute("stroke-width") == Some("1.8");
    panel.descendants().filter(curve).collect()
}

fn place(node: &Node<'_, '_>, name: &str) -> f64 {
    floats(node.attribute(name).unwrap())[0]
}

/// Place of a number along x (`anchor` is "middle") or y ("end").
fn number_at(panel: &Node<'_, '_>, label: &str, anchor: &str) -> f64 {
    let own = |node: &Node<'_, '_>| {
        node.has_tag_name("text")
            && node.text() == Some(label)
            && node.attribute("text-anchor") == Some(anchor)
    };
    let node = panel.descendants().find(own).unwrap_or_else(|| panic!("{label}"));
    if anchor == "end" { place(&node, "y") - BELOW_LINE } else { place(&node, "x") }
}

fn x_of(panel: &Node<'_, '_>, label: &str) -> f64 {
    number_at(panel, label, "middle")
}

fn y_of(panel: &Node<'_, '_>, label: &str) -> f64 {
    number_at(panel, label, "end")
}

/// The highest place of the first curve of a panel.
fn top_of(panel: &Node<'_, '_>) -> f64 {
    let points = floats(curves(panel)[0].attribute("d").unwrap());
    points.iter().skip(1).step_by(2).copied().fold(f64::INFINITY, f64::min)
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
        let twice = [folder.path.clone(), folder.path.clone()];
        figures.push(compare_figure(&twice, ALL_THE_SAME, Overlay::Distortion).unwrap());
        figures.push(compare_figure(&twice, ALL_THE_SAME, Overlay::Bars).unwrap());
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
    let panel = panel(&tree, 0);
    let rings: Vec<_> = panel.descendants().filter(is_ring).collect();
    assert_eq!(rings.len(), 1, "one rating, one ceiling");
    let at = place(&rings[0], "cx");
    let (ten, hundred) = (x_of(&panel, "10"), x_of(&panel, "100"));
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
    let panel = panel(&tree, 0);
    let dots = panel.descendants().filter(|node| {
        node.has_tag_name("circle")
            && node.attribute("fill") == Some(FIRST)
            && node.attribute("r") == Some("3")
    });
    assert_eq!(dots.count(), points);
    assert_eq!(curves(&panel).len(), 1, "one rating, one curve");
    let corners = floats(curves(&panel)[0].attribute("d").unwrap()).len() / 2;
    assert_eq!(corners, points);
}

/// The limit line lies at the limit of ratings.json, the rated point on it where the axis puts the rated power, and the
/// strip shows measured over rated with a bar of ± U, all by ratings.csv.
#[test]
fn limit_rated_point_and_strip_stand_where_the_axes_say() {
    let folder = Folder::of("single");
    let figure = distortion(&folder.path).unwrap();
    let tree = Document::parse(&figure).unwrap();
    let ratings = rows(&folder.file("ratings.csv"));
    let row = ratings.iter().find(|row| row["rating"] == "1").unwrap();
    let (above, strip) = (panel(&tree, 0), panel(&tree, 1));
    let limit = |panel: &Node<'_, '_>| {
        let own = |node: &Node<'_, '_>| node.has_tag_name("path") && node.attribute("stroke") == Some(LIMIT);
        let lines = panel.descendants().filter(own);
        lines.map(|node| floats(node.attribute("d").unwrap())).collect::<Vec<_>>()
    };
    let lines = limit(&above);
    assert_eq!(lines.len(), 1);
    assert!(
        (lines[0][1] - y_of(&above, "1")).abs() < 0.2 && lines[0][1] == lines[0][3],
        "limit 1 %: {lines:?}"
    );
    let wedge =
        above.descendants().find(|node| node.attribute("d").is_some_and(|d| d.ends_with('Z'))).unwrap();
    let corner = wedge.attribute("d").unwrap().trim_start_matches('M').split(',').next().unwrap();
    let at: f64 = corner.parse().unwrap();
    let (ten, hundred) = (x_of(&above, "10"), x_of(&above, "100"));
    let expected = hundred + (hundred - ten) * (number(row, "rated_w") / 100.0).log10();
    assert!((at - expected).abs() < 0.2, "{at}, expected {expected}");
    let (low, high) = (x_of(&strip, "100"), x_of(&strip, "110"));
    assert!((limit(&strip)[0][0] - low).abs() < 0.2);
    let pct = |place: f64| 100.0 + 10.0 * (place - low) / (high - low);
    let ring = strip.descendants().find(is_ring).unwrap();
    let (measured, rated) = (number(row, "measured_w"), number(row, "rated_w"));
    assert!((pct(place(&ring, "cx")) - 100.0 * measured / rated).abs() < 0.02);
    let bar = |node: &Node<'_, '_>| {
        node.has_tag_name("line")
            && node.attribute("stroke") == Some(FIRST)
            && node.attribute("y1") == node.attribute("y2")
    };
    let bar = strip.descendants().find(bar).unwrap();
    let u_pct = 0.5 * (pct(place(&bar, "x2")) - pct(place(&bar, "x1")));
    assert!((u_pct - 100.0 * number(row, "expanded_u_w") / rated).abs() < 0.02, "{u_pct}");
}

/// The waveform's peak is that of steps.csv: the least and greatest of the drawn line against the axis.
#[test]
fn the_waveform_reaches_the_peak_of_the_table() {
    let folder = Folder::of("single");
    let figure = waveform(&folder.path, Some(4), Some(1)).unwrap();
    let tree = Document::parse(&figure).unwrap();
    let steps = rows(&folder.file("steps.csv"));
    let row = steps.iter().find(|row| row["step"] == "4" && row["channel"] == "1").unwrap();
    let panel = panel(&tree, 0);
    let (zero, twenty, top) = (y_of(&panel, "0"), y_of(&panel, "20"), top_of(&panel));
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
    let panel = panel(&tree, 0);
    let (zero, twenty, top) = (y_of(&panel, "0"), y_of(&panel, "20"), top_of(&panel));
    let shown_dbv = 20.0 * (zero - top) / (zero - twenty);
    // Scalloping of the window: up to 0.83 dB low (Harris 1978); half a unit of the picture is 0.3 dB.
    assert!(shown_dbv < dbv + 0.3 && shown_dbv > dbv - 1.2, "{shown_dbv}, expected {dbv}");
    let edge = |node: &Node<'_, '_>| node.has_tag_name("path") && node.attribute("stroke") == Some(LIMIT);
    let edges = panel.descendants().filter(edge);
    let edges: Vec<f64> = edges.map(|node| floats(node.attribute("d").unwrap())[0]).collect();
    assert_eq!(edges.len(), 2, "both edges of the band");
    let (thousand, ten_thousand) = (x_of(&panel, "1000"), x_of(&panel, "10000"));
    let expected = ten_thousand + (ten_thousand - thousand) * 2f64.log10();
    assert!(edges.iter().any(|edge| (edge - expected).abs() < 0.3), "{edges:?}, expected {expected}");
    // Clipping is symmetrical: the third harmonic stands out, and its mark stands at three times the first's frequency.
    let third = thousand + (ten_thousand - thousand) * (number(row, "fundamental_hz") * 3.0 / 1000.0).log10();
    let at = x_of(&panel, "3");
    assert!((at - third).abs() < 0.3, "{at}, expected {third}");
    let diamonds = panel.descendants().filter(|node| node.attribute("fill") == Some("#b8420b")).count();
    assert!((5..=20).contains(&diamonds), "{diamonds} marks");
}

/// Two runs: each curve of each has a colour and marks of its own; curves under the same conditions share a dash.
#[test]
fn a_comparison_tells_runs_by_colour_and_conditions_by_dash() {
    let (single, line) = (Folder::of("single"), Folder::of("line"));
    let figure = compare_figure(
        &[single.path.clone(), line.path.clone(), single.path.clone()],
        ALL_THE_SAME,
        Overlay::Distortion,
    )
    .unwrap();
    let tree = Document::parse(&figure).unwrap();
    let panel = panel(&tree, 0);
    let drawn = curves(&panel);
    assert_eq!(drawn.len(), 3);
    let told = |name| drawn.iter().map(|node| node.attribute(name)).collect::<Vec<_>>();
    let (colours, dashes) = (told("stroke"), told("stroke-dasharray"));
    assert!(colours[0] != colours[1] && colours[1] != colours[2] && colours[0] != colours[2], "{colours:?}");
    assert!(dashes[0] == dashes[2] && dashes[0] != dashes[1], "{dashes:?}");
    assert_eq!(panel.descendants().filter(is_ring).count(), 3);
}

/// No name is drawn from a counter of the process: a figure comes out the same each time, and no page holds a name twice.
#[test]
fn a_figure_comes_out_the_same_each_time() {
    let folder = Folder::of("single");
    let figure = distortion(&folder.path).unwrap();
    assert_eq!(figure, distortion(&folder.path).unwrap());
    assert!(!figure.contains(" id=") && !figure.contains("url("));
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
    assert_eq!(curves(&panel(&tree, 0)).len(), 1);
    assert!(!tree.descendants().any(|node| is_ring(&node)));
    let supplied = supply(&folder.path).unwrap();
    let tree = Document::parse(&supplied).unwrap();
    assert!((0..3).all(|number| curves(&panel(&tree, number)).len() == 1));
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

/// Whatever number stands in a table, a figure is XML and holds no place that is none.
#[test]
fn no_number_breaks_a_figure() {
    let columns = [
        "active_w",
        "out_vrms",
        "thdn_pct",
        "thd_pct",
        "at_s",
        "supply_v",
        "supply_a",
        "heatsink_c",
        "band_vrms",
    ];
    let mut count = 0;
    for odd in ["1e308", "-1e308", "0", "-1", "1e-320", "1e-12", "NaN", "inf", ""] {
        for judged in [true, false] {
            let folder = Folder::of("single");
            if !judged {
                folder.unjudged();
            }
            for name in ["steps.csv", "curve.csv"].iter().filter(|name| folder.file(name).exists()) {
                let text = folder.text(name);
                let mut reader = csv::Reader::from_reader(text.as_bytes());
                let head = reader.headers().unwrap().clone();
                let mut writer = csv::Writer::from_writer(Vec::new());
                writer.write_record(&head).unwrap();
                for (number, row) in reader.records().map(Result::unwrap).enumerate() {
                    let cell = |(at, cell): (usize, &'_ str)| {
                        let odd_here = number % 2 == 0 && columns.contains(&&head[at]);
                        if odd_here { odd.to_string() } else { cell.to_string() }
                    };
                    writer.write_record(row.iter().enumerate().map(cell)).unwrap();
                }
                folder.put(name, &String::from_utf8(writer.into_inner().unwrap()).unwrap());
            }
            let twice = [folder.path.clone(), folder.path.clone()];
            for drawn in [
                distortion(&folder.path),
                supply(&folder.path),
                compare_figure(&twice, ALL_THE_SAME, Overlay::Distortion),
                compare_figure(&twice, ALL_THE_SAME, Overlay::Bars),
            ] {
                // A table may be refused as a whole; it may not be drawn wrongly.
                let Ok(figure) = drawn else { continue };
                count += 1;
                let tree = Document::parse(&figure).unwrap();
                for place in tree.descendants().flat_map(|node| node.attributes()) {
                    let value = place.value();
                    assert!(!value.contains("NaN") && !value.contains("inf"), "{odd}: {place:?}");
                }
                for circle in tree.descendants().filter(|node| node.has_tag_name("circle")) {
                    let at = (place(&circle, "cx"), place(&circle, "cy"));
                    assert!(
                        (69.9..=700.1).contains(&at.0) && (0.0..=1000.0).contains(&at.1),
                        "{odd}: {at:?}"
                    );
                }
            }
        }
    }
    assert!(count >= 30, "only {count} were drawn");
}
