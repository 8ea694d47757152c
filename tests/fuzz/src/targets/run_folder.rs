//! `run.json`, `steps.csv`, `curve.csv` and `ratings.csv` of a run's folder, told as figures and data.
//!
//! An input is files one after another, each after a line `== NAME`. Holds: whatever they say, every call ends with an
//! answer or an error in words, and a figure is XML that a parser takes, with no number that is none in it.

use std::path::Path;

use wattproof_report::{How, Overlay, brief, compare, compare_figure, distortion, entry, steps, supply};

use super::text;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "run_folder",
    check,
    words: &[
        "\n== steps.csv\n",
        "\n== curve.csv\n",
        "\n== run.json\n",
        "\n== ratings.csv\n",
        "measured",
        "ceiling",
        "rated",
        "1e308",
        "-1e308",
        "5e-324",
        "nan",
        "inf",
        "-0.0",
        "18446744073709551615",
        ",,,,",
        "\"",
        "true",
        "\"limit_pct\":",
        "\"out_vrms\":",
        "\"rating\":[",
        "<script>",
        "\r\n",
    ],
    shipped: &[],
};

/// The files that an input may hold.
const FILES: [&str; 4] = ["run.json", "steps.csv", "curve.csv", "ratings.csv"];

/// Tries one input.
pub fn check(bytes: &[u8]) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("captures")).unwrap();
    std::fs::write(folder.path().join("journal.jsonl"), "").unwrap();
    let text = text(bytes);
    for part in text.split("== ") {
        if let Some((name, rest)) = part.split_once('\n')
            && FILES.contains(&name.trim())
        {
            std::fs::write(folder.path().join(name.trim()), rest).unwrap();
        }
    }
    tell(folder.path());
}

fn tell(folder: &Path) {
    let twice = [folder.to_path_buf(), folder.to_path_buf()];
    // A run that failed is comparable with nothing, but can be put beside itself all the same.
    let how = How { incomparable: true, ..How::default() };
    let overlaid = [Overlay::Distortion, Overlay::Bars, Overlay::Sweeps];
    let overlaid = overlaid.map(|overlay| compare_figure(&twice, how, overlay));
    let figures = [distortion(folder), supply(folder)].into_iter().chain(overlaid);
    for figure in figures {
        match figure {
            Ok(svg) => {
                let tree = roxmltree::Document::parse(&svg).expect("a figure is no XML");
                for node in tree.descendants() {
                    let places = node.attributes().filter(|attribute| attribute.name() != "aria-label");
                    for place in places {
                        let value = place.value();
                        assert!(!value.contains("NaN") && !value.contains("inf"), "{place:?}");
                    }
                }
            }
            Err(error) => assert!(error.to_string().contains(';'), "says no next step: {error}"),
        }
    }
    if let Ok(told) = steps(folder, 0) {
        serde_json::to_string(&told).unwrap();
    }
    if let Ok(told) = brief(folder) {
        serde_json::to_string(&told).unwrap();
    }
    if let Ok(told) = entry(folder) {
        serde_json::to_string(&told).unwrap();
    }
    if let Ok(told) = compare(&twice, how) {
        assert!(told.differences.is_empty(), "a run differs from itself: {:?}", told.differences);
    }
}
