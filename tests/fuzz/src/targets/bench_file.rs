//! Bench files.
//!
//! Holds: a refusal says where; a file that is taken, written again, is taken as the same.

use std::path::Path;

use wattproof_bench::BenchFile;

use super::text;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "bench_file",
    check,
    words: &[
        "[limits]",
        "[source]",
        "[load]",
        "[supply]",
        "[digitizer]",
        "[[digitizer.channel]]",
        "[thermometer]",
        "outputs = [1, 2]",
        "channels = [1]",
        "link = \"tcp:127.0.0.1:5025\"",
        "link = \"",
        "dialect = \"scpi-source\"",
        "amplifier_channel = 1",
        "measures = \"amps\"",
        "gain = ",
        "range_v = ",
        "samples = ",
        "skew_ns = ",
        "[[digitizer.bridge]]\n",
        "positive = 1\n",
        "negative = 3\n",
        "= nan",
        "= inf",
        "= -1",
        "[[",
        "]]",
        "\"\"\"",
        "'''",
        "{",
        "}",
        "1979-05-27",
        "a.b.c = 1",
        "\\u0000",
        "#",
        "0x",
        "_",
    ],
    shipped: &[],
};

/// Tries one input.
pub fn check(bytes: &[u8]) {
    let (text, path) = (text(bytes), Path::new("bench.toml"));
    match BenchFile::parse(path, &text) {
        Ok(file) => {
            let written = toml::to_string(&file).unwrap();
            let again = BenchFile::parse(path, &written).expect("what was written is not taken");
            assert_eq!(written, toml::to_string(&again).unwrap());
            assert_eq!(file.source.outputs.len(), file.amplifier_channels());
            assert!(file.digitizer.skew_s().is_finite());
        }
        Err(error) => assert!(error.to_string().contains("bench.toml"), "{error}"),
    }
}
