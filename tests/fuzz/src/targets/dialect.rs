//! Dialect files.
//!
//! Holds: a refusal says where, within the text; a dialect that is taken has every operation that its role requires.

use wattproof_instruments::{Dialect, operations};

use super::text;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "dialect",
    check,
    words: &[
        "[session]",
        "[samples]",
        "[operations.",
        "role = \"digitizer\"",
        "role = \"source\"",
        "channels = ",
        "write = \"",
        "write = [\"A\", \"B\"]",
        "query = \"",
        "{channel}",
        "{value}",
        "{hz}",
        "{",
        "}",
        "{{",
        "}}",
        "scale = ",
        "verify = { query = \"A?\", within_pct = 1.0 }",
        "expect = \"1\"",
        "within_abs = nan",
        "timeout_ms = ",
        "unit = \"V\"",
        "completion = \"",
        "default = \"int16\"",
        "formats = {",
        "orders = {",
        "= nan",
        "= -1",
        "[serial]",
        "baud = ",
        "[answer]",
        "answer = { field = 2, separator = \";\" }",
        "on = [\"A\"]\noff = \"B\"",
        "offset = ",
        "min = ",
        "step = ",
        "poll_ms = ",
        "byte_ms = ",
        "echo = \"line\"",
        "chaining = false",
        "volts_per_code = ",
        "block = \"indefinite\"",
        "\"\"\"",
        "\\u007f",
        "#",
    ],
    shipped: &[("drivers/dialects", "toml")],
};

/// Tries one input.
pub fn check(bytes: &[u8]) {
    let text = text(bytes);
    match Dialect::parse("dialect.toml", &text) {
        Ok(dialect) => {
            let required = operations(dialect.role).iter().filter(|operation| operation.required);
            required.for_each(|operation| assert!(dialect.can(operation.name), "{}", operation.name));
            assert!(dialect.channels > 0);
            assert_eq!(Dialect::parse("dialect.toml", &text).unwrap(), dialect, "read twice");
        }
        Err(error) => {
            assert!(error.to_string().starts_with("dialect.toml:"), "{error}");
            assert!(error.line.is_none_or(|line| line <= text.matches('\n').count() + 1), "{error}");
        }
    }
}
