//! Dialect files: all that ship are valid and complete, and a slip is told with its place.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

use std::path::Path;

use wattproof_instruments::{
    Dialect, Role, SHIPPED, SessionSettings, TEMPLATE, operations, shipped, shipped_all,
};
use wattproof_link::SerialSettings;

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../dialects")
}

/// Where codes follow from the range, as in the strict dialect, nobody asks what they are worth.
const BY_RANGE: [&str; 2] = ["get_volts_per_code", "get_offset_v"];

#[test]
fn every_strict_dialect_is_valid_and_covers_every_operation_of_its_role() {
    let all = shipped_all().unwrap();
    for role in Role::ALL {
        let strict = |dialect: &&Dialect| dialect.role == role && dialect.name.starts_with("scpi-");
        let mine: Vec<_> = all.iter().filter(strict).collect();
        assert!(!mine.is_empty(), "no dialect for a {role}");
        for dialect in mine {
            for spec in operations(role).iter().filter(|spec| !BY_RANGE.contains(&spec.name)) {
                assert!(dialect.can(spec.name), "{} lacks {}", dialect.name, spec.name);
            }
        }
    }
}

#[test]
fn every_operation_is_in_some_dialect_and_every_strange_one_marked_invented() {
    let all = shipped_all().unwrap();
    for role in Role::ALL {
        for spec in operations(role) {
            assert!(all.iter().any(|one| one.role == role && one.can(spec.name)), "{role} {}", spec.name);
        }
    }
    let strange = all.iter().filter(|dialect| !dialect.name.starts_with("scpi-"));
    assert!(strange.clone().count() >= 6);
    strange.for_each(|dialect| assert!(dialect.summary.starts_with("invented: "), "{}", dialect.name));
}

#[test]
fn every_file_is_built_in_named_like_its_file_and_has_its_row() {
    let readme = std::fs::read_to_string(folder().join("README.md")).unwrap();
    let mut files = 0;
    for entry in std::fs::read_dir(folder()).unwrap() {
        let file = entry.unwrap().file_name().into_string().unwrap();
        if file == "README.md" {
            continue;
        }
        if file == TEMPLATE.0 {
            assert!(readme.contains("| `template.toml` |"), "{file} has no row in README.md");
            // It shows what holds where nothing is written.
            let template = Dialect::parse(TEMPLATE.0, TEMPLATE.1).unwrap();
            assert_eq!(template.session, SessionSettings::default());
            assert_eq!(template.serial.settings(), SerialSettings::default());
            continue;
        }
        files += 1;
        assert!(SHIPPED.iter().any(|(name, _)| *name == file), "{file} is not built in");
        assert!(readme.contains(&format!("| `{file}` |")), "{file} has no row in README.md");
        let name = file.strip_suffix(".toml").unwrap();
        assert_eq!(shipped(name).unwrap().name, name);
        assert_eq!(Dialect::load(&folder().join(&file)).unwrap(), shipped(name).unwrap());
    }
    assert_eq!(files, SHIPPED.len());
    for role in Role::ALL {
        for spec in operations(role) {
            let row = readme
                .lines()
                .any(|line| line.starts_with(&format!("| {role} |")) && line.contains(spec.name));
            assert!(row, "README.md has no row for {role} {}", spec.name);
        }
    }
}

fn spoilt(name: &str, from: &str, to: &str) -> String {
    let (file, text) = SHIPPED.iter().find(|(file, _)| file.starts_with(name)).unwrap();
    assert!(text.contains(from), "{from} is not in {file}");
    let error = Dialect::parse("my.toml", &text.replacen(from, to, 1)).unwrap_err();
    error.to_string()
}

#[test]
fn a_slip_is_told_with_file_and_line() {
    let line_of = |name: &str, part: &str| {
        let (_, text) = SHIPPED.iter().find(|(file, _)| file.starts_with(name)).unwrap();
        text.lines().position(|line| line.contains(part)).unwrap() + 1
    };
    let volts = line_of("scpi-supply", "[operations.set_v]");
    for (from, to, word) in [
        ("write = \"VOLT {volts}\"", "write = \"VOLT {volt}\"", "{volt}"),
        ("write = \"VOLT {volts}\"", "write = \"VOLT 5\"", "no message carries {volts}"),
        ("write = \"VOLT {volts}\"", "write = \"VOLT {volts\"", "closing"),
        ("write = \"VOLT {volts}\"", "wirte = \"VOLT {volts}\"", "wirte"),
        ("write = \"VOLT {volts}\"", "query = \"VOLT {volts}\"", "tells"),
        ("write = \"VOLT {volts}\"", "write = \"VOLT {volts}\\n\"", "printable ASCII"),
        ("write = \"VOLT {volts}\"", "write = \"VOLT {volts}\"\nscale = 0.0", "scale"),
        ("write = \"VOLT {volts}\"", "write = \"VOLT {volts}\"\nmin = 5.0\nmax = 1.0", "exchange them"),
        ("write = \"VOLT {volts}\"", "write = \"VOLT {volts}\"\nstep = nan", "no usable limit"),
        ("write = \"VOLT {volts}\"", "write = \"VOLT {volts}\"\npoll_ms = 5", "only `wait`"),
        ("write = \"VOLT {volts}\"", "write = \"VOLT {volts}\"\nanswer = { field = 0 }", "count from 1"),
        ("write = \"VOLT {volts}\"", "write = \"VOLT {volts}\"\ncompletion = \"soon\"", "soon"),
        ("within_pct = 0.1, within_abs = 0.005", "within_pct = -1.0", "tolerance"),
        ("within_pct = 0.1, within_abs = 0.005 }", "}", "within_pct"),
        ("[operations.set_v]", "[operations.set_volts]", "no operation `set_volts`"),
    ] {
        let error = spoilt("scpi-supply", from, to);
        assert!(error.contains(word), "{to}: {error}");
        let line: usize = error.strip_prefix("my.toml:").unwrap().split(':').next().unwrap().parse().unwrap();
        assert!((volts..volts + 5).contains(&line), "{to}: {error}, expected line {volts} or a little below");
    }
}

#[test]
fn what_is_missing_or_misplaced_is_told() {
    let cases = [
        ("scpi-supply", "role = \"supply\"", "role = \"oven\"", "oven"),
        ("scpi-supply", "channels = 1", "channels = 0", "at least one"),
        ("scpi-supply", "timeout_ms = 1000", "timeout = 1000", "timeout"),
        (
            "scpi-supply",
            "[operations.measure_a]\nquery = \"MEAS:CURR?\"\nunit = \"A\"",
            "",
            "needs [operations.measure_a]",
        ),
        ("scpi-digitizer", "default = \"int32\"", "default = \"int24\"", "int24"),
        ("scpi-digitizer", "int32 = \"INT,32\"", "int24 = \"INT,24\"", "int24"),
        (
            "scpi-source",
            "[operations.set_hz]",
            "[samples]\ndefault=\"a\"\ndefault_order=\"b\"\nformats={}\norders={}\n[operations.set_hz]",
            "takes no samples",
        ),
        ("scpi-source", "name = ", "name = \"unfinished", ""),
        ("scpi-supply", "timeout_ms = 1000", "timeout_ms = 0", "my.toml:8:1: timeout_ms"),
        ("scpi-supply", "timeout_ms = 1000", "chaining = false\nclear = \"*CLS;*RST\"", "my.toml:9:1: "),
        ("scpi-supply", "timeout_ms = 1000", "query_chaining = false\nversion = \"A;B?\"", "my.toml:9:1: "),
        ("scpi-supply", "timeout_ms = 1000", "byte_ms = nan", "my.toml:8:1: byte_ms"),
        ("scpi-supply", "timeout_ms = 1000", "next_error = \"\"", "error_check = \"never\""),
        ("scpi-supply", "[session]", "[serial]\nbaud = 0\n[session]", "my.toml:8:1: baud = 0"),
        ("scpi-digitizer", "[session]", "[serial]\nflow = \"software\"\n[session]", "my.toml:9:1: flow"),
        ("scpi-supply", "[session]", "[answer]\non = \"A\"\n[session]", "my.toml:8:1: on needs off"),
        ("scpi-supply", "completion = \"opc_query\"\n", "\nmax = 3.0\n", "my.toml:52:1: set_on: no number"),
        (
            "scpi-digitizer",
            "default = \"int32\"",
            "volts_per_code = 0.0\ndefault = \"int32\"",
            "usable factor",
        ),
        ("scpi-digitizer", "default = \"int32\"", "text = \"codes\"\ndefault = \"int32\"", "volts_per_code"),
        ("scpi-digitizer", "[operations.set_format]\nwrite = \"FORM {format}\"", "", "set_format"),
    ];
    for (name, from, to, word) in cases {
        let error = spoilt(name, from, to);
        assert!(error.starts_with("my.toml:") && error.contains(word), "{to}: {error}");
    }
    assert!(shipped("scpi-oven").unwrap_err().to_string().contains("scpi-supply"));
    let missing = Dialect::load(Path::new("/no/such/dialect.toml")).unwrap_err().to_string();
    assert!(missing.contains("/no/such/dialect.toml"), "{missing}");
}
