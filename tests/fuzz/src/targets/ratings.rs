//! `ratings.json`.
//!
//! Holds: a file that is taken, written again, is taken as the same; every rating in it is found by its number.

use std::path::Path;

use wattproof_runs::RatingsFile;

use super::text;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "ratings",
    check,
    words: &[
        "{\"format\":1,\"run\":\"a\",\"amplifier\":\"b\",\"ratings\":[]}",
        "\"rating\":",
        "\"budget\":[",
        "null",
        "1e999",
        "-0.0",
        "\"verdict\":\"meets\"",
        "\"driven\":\"one\"",
        "\\ud800",
        "[",
        "]",
        "{",
        "}",
        "\"",
    ],
    shipped: &[],
};

/// Tries one input.
pub fn check(bytes: &[u8]) {
    match RatingsFile::parse(Path::new("ratings.json"), &text(bytes)) {
        Ok(file) => {
            let written = serde_json::to_string_pretty(&file).unwrap();
            let again = RatingsFile::parse(Path::new("ratings.json"), &written)
                .expect("what was written is not taken");
            assert_eq!(written, serde_json::to_string_pretty(&again).unwrap());
            for record in &file.ratings {
                assert_eq!(file.rating(record.rating).unwrap().rating, record.rating);
            }
            let error = file.rating(usize::MAX).err().map(|error| error.to_string());
            assert!(error.is_none_or(|error| error.contains("no rating")));
        }
        Err(error) => assert!(error.to_string().contains("ratings.json"), "{error}"),
    }
}
