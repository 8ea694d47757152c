//! Scripts, parsed and performed with nobody to answer them.
//!
//! Holds: a script comes to its end or is ended within its bounds; a fault names a line that is there.

use std::path::Path;

use wattproof_runs::{RunError, rehearse_script};

use super::text;
use crate::Target;

/// Operations that a script may take here: enough to come to the end of those that are shipped.
const OPERATIONS_MAX: u64 = 5_000;

/// This target.
pub const TARGET: Target = Target {
    name: "script",
    check,
    words: &[
        "source(#{ hz: 1000.0, level_vrms: 0.1, on: true });",
        "load(#{ ohm: 4.0 });",
        "supply(#{ volts_v: 14.4 });",
        "capture()",
        "nameplate()",
        "find_ceiling(1)",
        "record(\"a\", ",
        "plan_steps(",
        "settle();",
        "requires \"wattproof 1\";",
        "param(\"level_vrms\", #{ value: 1.0, min: 0.0, max: 2.0 });",
        "sleep(1);",
        "random()",
        "bench_time_s()",
        "burst(#{})",
        "let a = ",
        "const b = ",
        "fn f(x) { f(x) }",
        "loop { ",
        "while true { ",
        "for i in 0..",
        "do { ",
        "} until false",
        "if ",
        "else",
        "switch x { ",
        "try { ",
        "} catch (e) { ",
        "throw ",
        "return ",
        "break",
        "|x| ",
        "[",
        "]",
        "#{",
        "}",
        "(",
        ")",
        "`${",
        "`",
        "\"",
        "\\u{10FFFF}",
        "'",
        "/*",
        "*/",
        "//",
        "a += a;",
        "a.push(a);",
        "a = [a];",
        ".pad(100000, 0)",
        ".map(|x| x)",
        ".sort()",
        ".len()",
        "print(",
        "debug(",
        "eval(\"1\")",
        "import \"a\"",
        "**",
        "<<",
        "9223372036854775807",
        "-9223372036854775808",
        "%",
        "/ 0",
        "blob(100000)",
        "timestamp()",
        "range(0, 9, 0)",
        "?.",
        "??",
        "parse_int(",
        "this",
        "call(",
        "Fn(\"f\")",
        "is_def_var(",
        "..=",
        "!in",
    ],
    shipped: &[("scripts", "rhai")],
};

/// Tries one input.
pub fn check(bytes: &[u8]) {
    let text = text(bytes);
    match rehearse_script(Path::new("script.rhai"), &text, OPERATIONS_MAX) {
        Ok(()) => {}
        Err(RunError::Script(fault)) => {
            assert!(fault.line <= text.matches('\n').count() + 1, "{fault}");
            assert!(!fault.to_string().is_empty());
        }
        Err(other) => panic!("{other}"),
    }
}
